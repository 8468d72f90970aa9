"""The long fuzz: python .fuzz/run.py --minutes 30 [--target NAME]. Needs atheris.

A target that breaks a promise ends the run; the input is kept as crash-* in the working folder.
"""

import argparse
import sys
import tempfile
import time
from pathlib import Path

import atheris

READERS = ["stackopt.problem", "stackopt.units", "stackopt.calibration", "stackopt.fleet", "stackopt.verification"]
with atheris.instrument_imports(include=READERS):
    from targets import TARGETS, corpus


def main():
    """Fuzz one target for so long, or each of them for its share."""
    asked = argparse.ArgumentParser()
    asked.add_argument("--minutes", type=float, default=30.0)
    asked.add_argument("--target", choices=TARGETS)
    args = asked.parse_args()
    if args.target is None:
        import subprocess

        ends = [subprocess.call([sys.executable, __file__, "--minutes", str(args.minutes / len(TARGETS)), "--target",
                                 kind]) for kind in TARGETS]  # fmt: skip
        sys.exit(max(ends))
    with tempfile.TemporaryDirectory() as folder:
        seeds = Path(folder) / "seeds"
        seeds.mkdir()
        for number, data in enumerate(corpus()[args.target]):
            (seeds / str(number)).write_bytes(data)

        def ask(data):
            began = time.process_time()
            TARGETS[args.target](data, folder)
            assert time.process_time() - began < 2.0, "slow"

        atheris.Setup([sys.argv[0], f"-max_total_time={int(60 * args.minutes)}", "-max_len=20000", "-timeout=20",
                       "-rss_limit_mb=1500", "-print_final_stats=1", str(seeds)], ask)  # fmt: skip
        atheris.Fuzz()


if __name__ == "__main__":
    main()
