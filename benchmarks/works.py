"""A seeded works: python benchmarks/works.py N FOLDER --seed S writes N problem files of varied kinds and a plant.toml.

Machines differ in size (1 to 12 points), dial (stepped or free), cycle, fluid, count, running and priority; windows of
air are wide enough that dose error can be traded for air. Pumps are of at most eight variants, the same in all files.
"""

import argparse
import json
import random
from pathlib import Path

from cases import generate, raw, toml

FLUIDS = [("neat oil", "ester oil"), ("neat oil", "fatty alcohol"), ("water mix", "emulsion"),
          ("vanishing", "evaporating fluid")]  # fmt: skip
SIZES = (1, 2, 2, 3, 3, 4, 6, 8, 12)


def machine(number, seed):
    """A problem file as nested dicts."""
    rng = random.Random(f"works {number} {seed}")
    case = generate(rng.choice(SIZES), True, False, f"{number} {seed}")
    named = {name: f"{name} {1000 * pump['stroke_volume']:g}" for name, pump in case["pumps"].items()}
    case["pumps"] = {named[name]: pump for name, pump in case["pumps"].items()}
    case["stroke_air"] = rng.choice([0.01, 0.05, 0.2])
    for point in case["points"]:
        own = named[point["pump"][0]]
        point["pump"] = [own] if rng.random() < 0.7 else [own, *sorted(case["pumps"].keys() - {own})]
        thin, thick = point["air_per_dose"]
        point["air_per_dose"] = (None if thin is None else round(0.6 * thin, 2),
                                 None if thick is None else round(1.3 * thick, 2))  # fmt: skip
        low, high = point["air_flow"]
        point["air_flow"] = (None if low is None else round(0.6 * low, 2),
                             None if high is None else round(1.3 * high, 2))  # fmt: skip
    if rng.random() < 0.2 and len(case["points"]) <= 4:
        case["rate"]["step"] = None
    data = raw(case)
    kind, name = rng.choice(FLUIDS)
    data["fluid"] = {"kind": kind, "name": name}
    data["air"]["pressure"] = rng.choice(["5 bar", "6 bar", "6.5 bar"])
    if rng.random() < 0.4:
        data["cycle"] = {"time": "60 s", "spray": f"{rng.choice([15, 30, 45])} s"}
    return data


def plant(count, seed, capacity):
    """The plant file of machine-1.toml to machine-`count`.toml, as text."""
    rng = random.Random(f"plant {count} {seed}")
    lines = [f'title = "works of {count} machines"', 'hours = "80 h"', "[supply]", f'capacity = "{capacity!r} L/min"',
             'pressure = "7 bar"', "[tank]", 'sizes = ["60 L", "200 L", "1000 L"]']  # fmt: skip
    for number in range(1, count + 1):
        lines += ["[[machine]]", f'file = "machine-{number}.toml"', f"count = {rng.choice([1, 1, 1, 2, 4])}",
                  f'running = "{rng.choice([30, 50, 60, 75, 90])} %"',
                  f"priority = {rng.choice([0.5, 1, 1, 2, 5])}"]  # fmt: skip
    return "\n".join(lines) + "\n"


def write(count, folder, seed, capacity=None):
    """Write a works to a new or empty folder; 68 L/min for each machine unless another `capacity` is given."""
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    if any(folder.iterdir()):
        raise SystemExit(f"{folder} is not empty: nothing is overwritten")
    for number in range(1, count + 1):
        (folder / f"machine-{number}.toml").write_text(toml(machine(number, seed)), encoding="utf-8")
    file = folder / "plant.toml"
    file.write_text(plant(count, seed, capacity or 68.0 * count), encoding="utf-8")
    return file


def main():
    """Write one works."""
    parser = argparse.ArgumentParser()
    parser.add_argument("count", type=int, metavar="N")
    parser.add_argument("folder", metavar="FOLDER")
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--capacity", type=float, help="L/min")
    args = parser.parse_args()
    print(json.dumps({"wrote": str(write(args.count, args.folder, args.seed, args.capacity)), "machines": args.count}))


if __name__ == "__main__":
    main()
