'use strict';
// Reads unit codes from standard input and writes what @lhncbc/ucum-lhc says of each to standard output, one JSON
// object a line both ways: in {"id", "unit"}, out {"id", "ok", "ms", "code", "message"}, in the same order.

const readline = require('node:readline');
const { UcumLhcUtils } = require('@lhncbc/ucum-lhc');
const { version } = require('@lhncbc/ucum-lhc/package.json');

function answer(line) {
  const start = process.hrtime.bigint();
  let id = null;
  let ok = false;
  let code = null;
  let message = '';
  try {
    const request = JSON.parse(line);
    id = request.id ?? null;
    const found = units.validateUnitString(request.unit, false);
    // It mends what it recognises ("ohm" becomes "Ohm"); only a code that needs no mending is one.
    ok = found.status === 'valid' && found.ucumCode === request.unit;
    code = found.ucumCode;
    message = found.msg.join(' ');
  } catch (fault) {
    // A line that cannot be read gets an answer like any other, so that the lines after it are read too.
    message = String(fault);
  }
  return { id, ok, ms: Number(process.hrtime.bigint() - start) / 1e6, code, message };
}

function write(value) {
  process.stdout.write(`${JSON.stringify(value)}\n`);
}

const units = UcumLhcUtils.getInstance();
write({ ready: true, ucumLhc: version });
readline.createInterface({ input: process.stdin, crlfDelay: Infinity }).on('line', (line) => write(answer(line)));
