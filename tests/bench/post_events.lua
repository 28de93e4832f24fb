-- Posts single rhythm events with ids that never repeat, to one case or to several in turn, and prints one line of
-- JSON at the end.
local threads = 0

function setup(thread)
  thread:set("number", threads)
  threads = threads + 1
end

function init(args)
  count = 0
  run = args[1]
  cases = tonumber(args[2])
end

function request()
  count = count + 1
  local body = string.format(
    '{"id": "e-%s-%d-%d", "kind": "rhythm_assessed", "at": "2031-03-02T10:02:05+01:00",'
      .. ' "rhythm": "ventricular_fibrillation", "pulse_present": false,'
      .. ' "recorded_by": {"role": "recorder", "name": "R. Example"}, "source": "person"}',
    run, number, count)
  local path = string.format("/v1/cases/c-bench-%d/events", (count + number) % cases)
  return wrk.format("POST", path, {["Content-Type"] = "application/json"}, body)
end

function done(summary, latency)
  local errors = summary.errors
  io.write(string.format(
    '{"requests": %d, "seconds": %.6f, "wrong_status": %d, "broken": %d, "p50_ms": %.3f, "p99_ms": %.3f}\n',
    summary.requests, summary.duration / 1e6, errors.status,
    errors.connect + errors.read + errors.write + errors.timeout,
    latency:percentile(50) / 1e3, latency:percentile(99) / 1e3))
end
