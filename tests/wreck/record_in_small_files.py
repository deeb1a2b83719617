"""Records where no file may grow beyond 150 kB, so that the disk refuses again and again."""

from __future__ import annotations

import json
import resource
import signal
import sys
from pathlib import Path

from ovenwright.recording.pace import Pace
from ovenwright.testing.recording_bench import Bench, Ticking

if __name__ == "__main__":
    signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    bench = Bench(Path(sys.argv[1]))
    resource.setrlimit(resource.RLIMIT_FSIZE, (150_000, 150_000))
    source = Ticking(bench.steady, pause_s=0.005)
    bench.stop_when(lambda: len(bench.events("disk refuses")) > 2, within_s=30.0)
    bench.record([source], pace=Pace(turn_s=0.005, told_s=0.0, retry_s=0.02, goodbye_s=1.0))
    for event, facts in bench.told:
        print(json.dumps({"event": event} | facts))
    print(json.dumps({"event": "end", "delivered": source.delivered}))
