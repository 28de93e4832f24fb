'use strict';
// Reads resources from standard input and writes what the npm package fhir says of each to standard output, one
// JSON object a line both ways; the protocol is that of ../hl7_validator.

const readline = require('node:readline');
const { Fhir, ParseConformance, Versions } = require('fhir');
const { version } = require('fhir/package.json');

function answer(line) {
  const start = process.hrtime.bigint();
  let request = null;
  let issues;
  try {
    request = JSON.parse(line);
    // What the specification does not know is an error here as it is for the other readers.
    const { messages } = fhir.validate(request.resource, { errorOnUnexpected: true });
    issues = messages
      .filter((found) => found.message !== 'Missing property' || !hasExtension(request.resource, found))
      .map(({ severity, location, message }) => ({
        severity: severity === 'info' ? 'information' : severity,
        code: null,
        expression: location ?? null,
        text: message,
      }));
  } catch (fault) {
    // A line that cannot be read gets an answer like any other, so that the lines after it are read too.
    issues = [{ severity: 'fatal', code: 'protocol', expression: null, text: String(fault) }];
  }
  const ok = !issues.some(({ severity }) => severity === 'error' || severity === 'fatal');
  const ms = Number(process.hrtime.bigint() - start) / 1e6;
  return { id: request?.id ?? null, ok, ms, issues };
}

// The package calls a required primitive missing when it has no value but an extension that says why, although R4
// allows that (json.html#primitive). Does such an extension stand at the location, say Procedure.status?
function hasExtension(resource, { location, resourceId }) {
  const steps = location.split('.').slice(1);
  const name = steps.pop();
  const parent = steps.reduce((value, step) => {
    const [, member, , index] = /^(.*?)(\[(\d+)\])?$/.exec(step);
    return index === undefined ? value?.[member] : value?.[member]?.[index];
  }, resourceNamed(resource, resourceId));
  // Of a choice, effective[x] say, the member has the type at its end.
  const member = new RegExp(`^_${name}([A-Z]|$)`);
  return Object.keys(parent ?? {}).some((key) => member.test(key) && parent[key]?.extension?.length > 0);
}

// The package counts locations from the innermost resource, which it names by id or by its place in the bundle.
function resourceNamed(resource, resourceId) {
  if (resourceId === (resource.id || '#initial')) {
    return resource;
  }
  const named = (entry, index) => resourceId === (entry.resource?.id || `Bundle.entry[${index}].resource`);
  return resource.entry?.find(named)?.resource;
}

function write(value) {
  process.stdout.write(`${JSON.stringify(value)}\n`);
}

// True loads the definitions that the package brings; R4 is its default, named here to be sure.
const fhir = new Fhir(new ParseConformance(true, Versions.R4));
write({ ready: true, fhir: version });
readline.createInterface({ input: process.stdin, crlfDelay: Infinity }).on('line', (line) => write(answer(line)));
