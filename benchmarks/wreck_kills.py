"""A thousand recorders killed at random moments; prints what of their readings survived.

Run: python benchmarks/wreck_kills.py [--kills 1000] [--seed 1]
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
import time
from pathlib import Path

SCRIPT = Path(__file__).parents[1] / "tests" / "wreck" / "kill_recorders.py"

if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("--kills", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    chosen = parser.parse_args()
    began = time.monotonic()
    with tempfile.TemporaryDirectory(prefix="kills-") as folder:
        done = subprocess.run(
            [sys.executable, str(SCRIPT), folder, str(chosen.kills), str(chosen.seed)],
            capture_output=True,
            text=True,
            check=True,
        )
    tally = json.loads(done.stdout)
    print(json.dumps(tally | {"seconds": round(time.monotonic() - began)}, indent=1))
    lost = tally["lost"] + tally["lost_after_acknowledging"]
    sys.exit(1 if lost or tally["damage"] else 0)
