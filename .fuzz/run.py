"""The long fuzz: python .fuzz/run.py --minutes 30 [--target toml|json|csv|calibration]. Needs atheris.

A target that breaks a promise ends the run; the input is kept as crash-* in the working folder.
"""

import argparse
import sys
import tempfile
import time
from pathlib import Path

import atheris

READERS = ["stackopt.problem", "stackopt.units", "stackopt.calibration"]
with atheris.instrument_imports(include=READERS):
    import targets


def main():
    """Fuzz one target for so long, or each of them for its share."""
    asked = argparse.ArgumentParser()
    asked.add_argument("--minutes", type=float, default=30.0)
    asked.add_argument("--target", choices=["toml", "json", "csv", "calibration"])
    args = asked.parse_args()
    if args.target is None:
        import subprocess

        kinds = ("toml", "json", "csv", "calibration")
        ends = [subprocess.call([sys.executable, __file__, "--minutes", str(args.minutes / len(kinds)), "--target",
                                 kind]) for kind in kinds]  # fmt: skip
        sys.exit(max(ends))
    with tempfile.TemporaryDirectory() as folder:
        seeds = Path(folder) / "seeds"
        seeds.mkdir()
        for number, data in enumerate(targets.corpus()[args.target]):
            (seeds / str(number)).write_bytes(data)
        one = {"toml": targets.toml, "json": targets.as_json, "csv": targets.csv,
               "calibration": lambda data: targets.calibration(data, folder)}[args.target]  # fmt: skip

        def ask(data):
            began = time.process_time()
            one(data)
            assert time.process_time() - began < 2.0, "slow"

        atheris.Setup([sys.argv[0], f"-max_total_time={int(60 * args.minutes)}", "-max_len=20000", "-timeout=20",
                       "-rss_limit_mb=1500", "-print_final_stats=1", str(seeds)], ask)  # fmt: skip
        atheris.Fuzz()


if __name__ == "__main__":
    main()
