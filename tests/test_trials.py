"""Spray trials: bounds against a slow oracle, contradictions against all subsets, and every fault by its place."""

import itertools
import json
import math
import random
from pathlib import Path

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

import stackopt
from stackopt.errors import ProblemError

# At mark 3 and r strokes a minute the dose is 0.1 r mL/min, at mark 1 half of that.
WINDOWS = {
    "ratio": {"air_per_dose": {"min": "5 L/mL", "max": "50 L/mL"}},
    "ratio min": {"air_per_dose": {"min": "5 L/mL"}},
    "flow": {"air_flow": {"min": "5 L/min", "max": "50 L/min"}},
    "flow min": {"air_flow": {"min": "5 L/min"}},
    "mixed": {"air_flow": {"min": "5 L/min"}, "air_per_dose": {"max": "50 L/mL"}},
    "both": {"air_flow": {"min": "5 L/min", "max": "70 L/min"}, "air_per_dose": {"min": "5 L/mL", "max": "50 L/mL"}},
    "both min": {"air_flow": {"min": "5 L/min"}, "air_per_dose": {"min": "5 L/mL", "max": "50 L/mL"}},
    "both max": {"air_flow": {"max": "70 L/min"}, "air_per_dose": {"min": "5 L/mL", "max": "50 L/mL"}},
}
FLOWS = {0.5: 10, 1: 20, 1.5: 30, 2: 40, 3: 60}


def machine(window="ratio", **changes):
    flows = ["0 L/min", *(f"{flow} L/min" for flow in FLOWS.values())]
    point = {"dose": "60 mL/h", "tolerance": "10 %", "nozzle": "small", **WINDOWS[window]}
    data = {
        "fluid": {"kind": "neat oil"},
        "generator": {"rate": {"min": "5/min", "max": "40/min", "step": "1/min"}},
        "pumps": {"standard": {"stroke_volume": "0.1 mL", "marks": {"1": 0.5, "3": 1.0}},
                  "other": {"stroke_volume": "0.2 mL", "marks": {"1": 0.5}}},
        "nozzles": {"small": {"turns": [0, *FLOWS], "flow": flows}},
        "air": {"pressure": "6 bar", "capacity": "300 L/min"},
        "point": [{"name": "b", "pump": "standard", "count": 2, **point}, {"name": "a", "pump": "standard", **point},
                  {"name": "c", "pump": ["standard", "other"], **point}],
    }  # fmt: skip
    return stackopt.Problem(**{**data, **changes})


HEAD = ["point", "rate", "mark", "turns", "seen", "pump"]


def sheet(rows, delimiter=",", head=HEAD):
    return "\n".join(delimiter.join(str(cell) for cell in line) for line in (head, *rows))


def put(folder, text, name="t.csv"):
    file = folder / name
    file.write_bytes(text if isinstance(text, bytes) else text.encode())
    return str(file)


def answer(folder, rows, problem=None):
    """The answer to rows of (point, rate, mark, turns, seen)."""
    rows = [(point, f"{rate}/min", mark, turns, seen, "") for point, rate, mark, turns, seen in rows]
    return stackopt.calibrate(problem or machine(), put(folder, sheet(rows)))


# Worked by hand: at 10/min and mark 3 the dose is 1 mL/min, so air per oil is the flow.
HAND = [("a", 10, 3, 0.5, "sputter"), ("a", 10, 3, 1, "good"), ("a", 20, 3, 3, "good"), ("a", 10, 3, 3, "fog")]


def test_bounds_worked_by_hand(tmp_path):
    (window,) = answer(tmp_path, HAND).points
    least, most = window.bounds
    assert (least.key, least.above, least.at_most, least.gap) == ("air_per_dose.min", 10, 20, 10)
    assert (most.key, most.at_least, most.below, most.gap) == ("air_per_dose.max", 30, 60, 30)
    assert window.proposed == {"air_per_dose": {"min": "20 L/mL", "max": "30 L/mL"}}


def test_the_next_trial_is_nearest_to_the_middle(tmp_path):
    least, most = answer(tmp_path, HAND).points[0].bounds
    # All settings in plain loops; the geometric middle of 10 and 20 and of 30 and 60 L/mL.
    every = {flow / (volume * rate) for flow in FLOWS.values() for volume in (0.1, 0.05) for rate in range(5, 41)}
    for bound, low, high in ((least, 10, 20), (most, 30, 60)):
        middle = math.sqrt(low * high)
        best = min(abs(math.log(x / middle)) for x in every if low < x < high)
        assert abs(math.log(bound.next.ratio_L_per_mL / middle)) <= best + 0.01
        n = bound.next
        volume = {"3": 0.1, "1": 0.05}[n.mark]
        assert FLOWS[n.turns] / (n.rate_per_min * volume) == pytest.approx(n.ratio_L_per_mL, rel=1e-12)


def test_trying_what_is_next_halves_the_gap(tmp_path):
    truth, rows = 16.1, HAND[:]
    gaps = []
    for _ in range(4):
        least = answer(tmp_path, rows).points[0].bounds[0]
        gaps.append(math.log(least.at_most / least.above))
        n = least.next
        rows.append(("a", n.rate_per_min, n.mark, n.turns, "sputter" if n.ratio_L_per_mL < truth else "good"))
    assert all(after < 0.6 * before for before, after in itertools.pairwise(gaps))
    assert least.above < truth <= least.at_most


def test_a_gap_that_no_setting_divides(tmp_path):
    rows = [("a", 10, 3, 0.5, "sputter"), ("a", 10, 3, 1, "good")]
    found = answer(tmp_path, rows, machine("flow"))
    least = found.points[0].bounds[0]
    assert (least.gap, least.next) == (10, None) and "cannot narrow it" in str(found)


def test_a_free_dial_meets_the_middle(tmp_path):
    problem = machine(generator={"rate": {"min": "5/min", "max": "40/min"}})
    least = answer(tmp_path, HAND, problem).points[0].bounds[0]
    assert least.next.ratio_L_per_mL == pytest.approx(math.sqrt(200), rel=5e-3)
    assert least.next.rate_per_min == float(f"{least.next.rate_per_min:.3g}")


def test_what_was_not_seen_stays_unknown(tmp_path):
    found = answer(tmp_path, [("a", 10, 3, 1, "good")])
    least, most = found.to_dict()["points"][0]["bounds"]
    assert (least["low"], least["high"], least["gap"], least["next"]) == (None, 20, None, None)
    assert (most["low"], most["high"], most["gap"], most["next"]) == (20, None, None, None)
    assert any("one setting alone was good" in text for text in found.warnings)
    found = answer(tmp_path, [("a", 10, 3, 1, "sputter"), ("a", 10, 3, 3, "fog")])
    for bound in found.to_dict()["points"][0]["bounds"]:  # both ends lie between what sputtered and what fogged
        assert (bound["low"], bound["high"]) == (20, 60) and not bound["low_included"] and not bound["high_included"]
        assert 20 < bound["next"]["ratio_L_per_mL"] < 60
    assert found.refused and found.exit_code == 0 and found.toml == ""


def test_a_file_without_a_most_air_gets_one_only_where_it_fogged(tmp_path):
    problem = machine("ratio min")
    assert answer(tmp_path, HAND[:3], problem).points[0].proposed == {"air_per_dose": {"min": "20 L/mL"}}
    assert answer(tmp_path, HAND, problem).points[0].proposed == {"air_per_dose": {"min": "20 L/mL", "max": "30 L/mL"}}


def test_points_count_their_pumps_and_are_kept_apart(tmp_path):
    found = answer(tmp_path, [*HAND, ("b", 10, 3, 3, "good")])
    assert [window.point for window in found.points] == ["b", "a"]  # in the order of the file
    assert found.points[0].bounds[0].at_most == 30  # two pumps: half as much air per oil
    assert [key.place[:2] for key in found.keys] == [("point", 0), ("point", 1)]


def test_both_measures_tell_only_that_one_is_broken(tmp_path):
    # Good at 20 L/min with 20 L/mL and at 60 L/min with 15 L/mL. Then sputter at 10 L/min with 20 L/mL was the
    # flow's fault, at 40 L/min with 10 L/mL the ratio's; at 10 L/min with 10 L/mL it may be either.
    good = [("a", 10, 3, 1, "good"), ("a", 40, 3, 3, "good")]
    problem = machine("both")
    for rate, turns, ratio, flow in ((5, 0.5, None, 10), (40, 2, 10, None), (10, 0.5, None, None)):
        (window,) = answer(tmp_path, [*good, ("a", rate, 3, turns, "sputter")], problem).points
        bounds = {bound.key: bound for bound in window.bounds}
        assert bounds["air_per_dose.min"].above == ratio and bounds["air_flow.min"].above == flow
        assert (bounds["air_per_dose.min"].at_most, bounds["air_flow.min"].at_most) == (15, 20)
        for bound, other in (("air_per_dose.min", "flow_L_per_min"), ("air_flow.min", "ratio_L_per_mL")):
            if n := bounds[bound].next:  # the other measure is kept where it was good
                assert getattr(n, other) >= {"flow_L_per_min": 20, "ratio_L_per_mL": 15}[other]
    found = answer(tmp_path, [*good, ("a", 10, 3, 0.5, "sputter")], problem)
    assert [trial.line for trial in found.points[0].undecided] == [4]
    assert any("line 4 tells only" in text for text in found.warnings)


def test_contradictions_by_hand(tmp_path):
    rows = [*HAND, ("a", 10, 3, 1.5, "sputter"), ("a", 5, 3, 0.5, "fog")]
    found = answer(tmp_path, rows)
    (window,) = found.points
    # Sputter at 30 against good at 20 and 30; fog at 20 against good at 20 and 30 and against sputter at 30.
    assert window.to_dict()["contradictions"] == [[3, 6], [3, 7], [4, 6], [4, 7], [6, 7]]
    assert [trial.line for trial in window.doubtful] == [6, 7]
    assert found.exit_code == 3 and window.bounds == [] and window.proposed == {} and found.refused
    assert "cannot both be" in str(found) and "lines 6, 7" in str(found)


def test_many_contradictions_are_cut_and_told(tmp_path):
    rows = [("a", 10, 3, 3, "sputter")] * 40 + [("a", 10, 3, 1, "good")] * 40
    data = answer(tmp_path, rows).to_dict()["points"][0]
    assert len(data["contradictions"]) == 1000 and not data["contradictions_complete"] and data["doubtful"] is None


# Against a slow oracle

_TRIAL = st.tuples(st.just("a"), st.sampled_from([5, 10, 15, 20, 40]), st.sampled_from([1, 3]),
                   st.sampled_from(list(FLOWS)), st.sampled_from(["sputter", "good", "good", "fog"]))  # fmt: skip
_TRIALS = st.lists(_TRIAL, min_size=1, max_size=6)
_BIG, _NONE = 1e9, 0.0


def numbers(rows):
    """(ratio, flow, seen) of each trial, by hand; ratios to twelve digits."""
    return [(float(f"{FLOWS[turns] / (rate * {1: 0.05, 3: 0.1}[mark]):.12g}"), FLOWS[turns], seen)
            for _, rate, mark, turns, seen in rows]  # fmt: skip


def between(values):
    """One value below, at and above each of the values."""
    values = sorted(set(values))
    middles = [(a + b) / 2 for a, b in itertools.pairwise(values)]
    return sorted([*values, *middles, values[0] / 2, values[-1] * 2])


def candidates(window, trials):
    """Every window of the file's kind, up to what tells trials apart; ends that are not there do nothing."""
    ends = {key: set(WINDOWS[window].get(key, ())) for key in ("air_per_dose", "air_flow")}
    if not any("max" in part for part in ends.values()):
        ends = {key: part | {"max"} if part else part for key, part in ends.items()}
    grids = []
    for k, key in enumerate(("air_per_dose", "air_flow")):
        values = between([trial[k] for trial in trials])
        grids.append([(low, high) for low in (values if "min" in ends[key] else [_NONE])
                      for high in (values if "max" in ends[key] else [_BIG]) if low <= high])  # fmt: skip
    return itertools.product(*grids)


def shows(window, trial):
    (ratio_min, ratio_max), (flow_min, flow_max) = window
    ratio, flow, _ = trial
    if trial[2] == "sputter":
        return ratio < ratio_min or flow < flow_min
    if trial[2] == "fog":
        return ratio > ratio_max or flow > flow_max
    return ratio_min <= ratio <= ratio_max and flow_min <= flow <= flow_max


def agreeing(window, trials):
    return [one for one in candidates(window, trials) if all(shows(one, trial) for trial in trials)]


@pytest.mark.parametrize("window", WINDOWS)
@given(rows=_TRIALS)
@settings(max_examples=settings().max_examples)
def test_bounds_and_contradictions_against_all_windows(tmp_path_factory, window, rows):
    found = answer(tmp_path_factory.mktemp("t"), rows, machine(window))
    (got,) = found.points
    trials = numbers(rows)
    fitting = agreeing(window, trials)
    assert bool(fitting) == (not got.contradictions) and found.exit_code == (0 if fitting else 3)
    if fitting:
        # The bounds are the tightest: each end is that of the windows that agree, up to the next value of a trial.
        for bound in got.bounds:
            k = 0 if bound.unit == "L/mL" else 1
            grid = between([trial[k] for trial in trials])
            which = 0 if bound.key.endswith("min") else 1
            allowed = {one[k][which] for one in fitting}
            low, high = bound.ends
            data = bound.to_dict()

            def inside(x, low=low, high=high, data=data):
                above = low is None or x > low or (data["low_included"] and x == low)
                return above and (high is None or x < high or (data["high_included"] and x == high))

            told = {x for x in grid if inside(x)}
            # With both measures bounded and nothing good, single values between the ends may be out too.
            assert allowed == told or (window == "both" and not any(trial[2] == "good" for trial in trials)
                                       and allowed <= told and {min(allowed), max(allowed)} == {min(told), max(told)})
        return
    # The sets named are all smallest ones without a window.
    bad = []
    for size in range(1, len(trials) + 1):
        for one in itertools.combinations(range(len(trials)), size):
            if not any(set(part) <= set(one) for part in bad) and not agreeing(window, [trials[k] for k in one]):
                bad.append(one)
    assert sorted(got.to_dict()["contradictions"]) == sorted([k + 2 for k in one] for one in bad)
    # And the doubtful ones are as few as can be.
    left = [k for k in range(len(trials)) if k + 2 not in {trial.line for trial in got.doubtful}]
    assert not left or agreeing(window, [trials[k] for k in left])
    fewer = len(got.doubtful) - 1
    for one in itertools.combinations(range(len(trials)), len(trials) - fewer):
        assert not agreeing(window, [trials[k] for k in one])


@pytest.mark.parametrize("window", WINDOWS)
@given(rows=_TRIALS, seed=st.integers(0, 99))
@settings(max_examples=max(settings().max_examples // 2, 10))
def test_order_changes_nothing_json_is_clean_and_what_is_written_agrees(tmp_path_factory, window, rows, seed):
    folder = tmp_path_factory.mktemp("t")
    problem = machine(window)
    found = answer(folder, rows, problem)
    data = found.to_dict()
    json.loads(json.dumps(data, allow_nan=False))
    assert str(found)
    mixed = rows[:]
    random.Random(seed).shuffle(mixed)
    again = answer(folder, mixed, problem)
    assert [w.bounds for w in again.points] == [w.bounds for w in found.points] and again.toml == found.toml
    assert len(again.points[0].contradictions) == len(found.points[0].contradictions)
    if found.refused:
        return
    # Judged with the window that was written, every trial is what was seen, but for those that tell of two measures.
    written = found.changed()
    judged = answer(folder, rows, written).points[0]
    open_ones = {trial.line for trial in found.points[0].undecided}
    assert {trial.line for trial in judged.against_file} <= open_ones
    assert not [t for t in judged.against_file if t.seen == "good"]


@given(low=st.floats(8, 30), wide=st.floats(1.2, 6), rows=st.lists(_TRIAL, min_size=3, max_size=12))
@settings(max_examples=settings().max_examples)
def test_trials_of_a_true_window_never_contradict_and_hold_it(tmp_path_factory, low, wide, rows):
    rows = [(*row[:4], "sputter" if ratio < low else "fog" if ratio > low * wide else "good")
            for row, (ratio, _, _) in zip(rows, numbers(rows), strict=True)]  # fmt: skip
    assume(len(set(rows)) > 1)
    (window,) = answer(tmp_path_factory.mktemp("t"), rows).points
    assert not window.contradictions
    for bound, truth in zip(window.bounds, (low, low * wide), strict=True):
        assert (bound.ends[0] is None or bound.ends[0] <= truth * (1 + 1e-9)) and (
            bound.ends[1] is None or truth <= bound.ends[1] * (1 + 1e-9))  # fmt: skip


# Faults, and the command line


def faults(folder, text, **options):
    with pytest.raises(ProblemError) as caught:
        stackopt.calibrate(machine(), put(folder, text), **options)
    assert caught.value.file == str(folder / "t.csv") and caught.value.exit_code == 2
    return [(f.line, f.key, f.found, f.expected) for f in caught.value.faults]


FAULTY = [
    (["d", "10/min", 3, 1, "good"], "point", "'d'", "a point: b, a, c"),
    (["", "10/min", 3, 1, "good"], "point", "nothing", "a point"),
    (["a", "10", 3, 1, "good"], "rate", "'10'", "a unit of rate, as in '20/min'"),
    (["a", "0/min", 3, 1, "good"], "rate", "'0/min'", "above 0"),
    (["a", "1e300/min", 3, 1, "good"], "rate", "'1e300/min'", "a number that a machine can have"),
    (["a", "10,5/min", 3, 1, "good"], "rate", "'10,5/min'", "a decimal point, not a comma"),
    (["a", "10/min", 2, 1, "good"], "mark", "'2'", "a mark of pump standard: 1, 3"),
    (["a", "10/min", 3, 0, "good"], "turns", "'0'", "turns of nozzle small with flow: 0.5, 1, 1.5, 2, 3"),
    (["a", "10/min", 3, "1,5", "good"], "turns", "'1,5'", "a decimal point, not a comma"),
    (["a", "10/min", 3, "1.2", "good"], "turns", "'1.2'", "turns of nozzle small"),
    (["a", "10/min", 3, "one", "good"], "turns", "'one'", "a number, as in 1.5"),
    (["a", "10/min", 3, 1, "mist"], "seen", "'mist'", "what was seen: sputter, good, fog"),
    (["a", "10/min", 3, 1, ""], "seen", "nothing", "what was seen"),
    (["c", "10/min", 3, 1, "good"], "pump", "nothing", "which of its pumps c had: standard, other"),
    (["a", "10/min", 1, 1, "good", "other"], "pump", "'other'", "a pump of a: standard"),
    (["c", "10/min", 3, 1, "good", "other"], "mark", "'3'", "a mark of pump other: 1"),
    (["a", "1e-12/min", 3, 1, "good"], "rate", "'1e-12/min'", "a dose that a machine can have"),
]


def padded(row):
    return [*row, *[""] * (len(HEAD) - len(row))]


@pytest.mark.parametrize(("bad", "key", "found", "expected"), FAULTY)
def test_a_fault_has_its_line_and_column(tmp_path, bad, key, found, expected):
    ((line, *rest),) = faults(tmp_path, sheet([padded(["a", "10/min", 3, 1, "good"]), padded(bad)], ";"))
    assert line == 3 and rest[:2] == [key, found] and expected in rest[2]


def test_every_fault_is_listed_at_once(tmp_path):
    assert [fault[:2] for fault in faults(tmp_path, sheet([padded(bad) for bad, *_ in FAULTY], ";"))] == [
        (n, key) for n, (_, key, *_) in enumerate(FAULTY, 2)]  # fmt: skip


@pytest.mark.parametrize(("text", "line", "found"), [
    ("", 1, "no row of a weighing or a trial"),
    ("point,rate,seen\na,10/min,fog\n", 1, "no mark"),
    ("point,rate,mark,turns,seen,look\na,10/min,3,1,fog,x\n", 1, "'look'"),
    ("point,rate,mark,turns,seen\na,10/min,3,1,5,fog\n", 2, "6 cells")])  # fmt: skip
def test_a_file_that_is_no_table_of_trials(tmp_path, text, line, found):
    assert (line, found) in [(at, what) for at, _, what, _ in faults(tmp_path, text)]


def test_options_of_weighings_are_refused(tmp_path):
    text = sheet([padded(["a", "10/min", 3, 1, "good"])])
    assert [f[1] for f in faults(tmp_path, text, rising=True, water=True)] == ["--rising", "--water"]


def test_a_rate_that_the_dial_does_not_have_is_told(tmp_path):
    found = answer(tmp_path, [("a", 10.5, 3, 1, "good"), ("a", 90, 3, 3, "sputter")])
    assert [text for text in found.warnings if "dial" in text] == [
        "line 2: the dial cannot be set to 10.5/min", "line 3: the dial cannot be set to 90/min"]  # fmt: skip


def files(folder, rows):
    rows = [(point, f"{rate}/min", mark, turns, seen, "") for point, rate, mark, turns, seen in rows]
    return put(folder, json.dumps(machine().to_dict()), "m.json"), put(folder, sheet(rows))


def test_the_command(run, tmp_path):
    names = files(tmp_path, HAND)
    code, out, err = run("calibrate", *names)
    assert (code, err) == (0, "") and all(len(line) <= 80 for line in out.splitlines())
    assert "between 10 and 20 L/mL" in out and 'air_per_dose = { min = "20 L/mL", max = "30 L/mL" }' in out
    assert "cardboard" in out and "local codes" in out
    code, out, _ = run("calibrate", *names, "--json")
    data = json.loads(out)
    assert code == 0 and (data["format"], data["kind"]) == ("stackopt.calibration/1", "spray trials")
    assert data == stackopt.calibrate(stackopt.read(names[0]), names[1]).to_dict()
    assert data["keys"] == [{"key": "point[2].air_per_dose", "from": {"min": "5 L/mL", "max": "50 L/mL"},
                             "to": {"min": "20 L/mL", "max": "30 L/mL"}}]  # fmt: skip


def test_write_makes_a_new_file_and_touches_no_old_one(run, tmp_path):
    machine_file, csv_file = files(tmp_path, HAND)
    before = [Path(name).read_bytes() for name in (machine_file, csv_file)]
    new = str(tmp_path / "new.json")
    assert run("calibrate", machine_file, csv_file, "--write", new)[0] == 0
    window = stackopt.read(new).point[1].air_per_dose
    assert (window.min.number, window.max.number) == (20, 30)
    assert stackopt.read(new).point[0] == machine().point[0]
    assert run("calibrate", machine_file, csv_file, "--write", machine_file)[0] == 2
    assert [Path(name).read_bytes() for name in (machine_file, csv_file)] == before


def test_contradictions_end_with_3_and_nothing_is_written(run, tmp_path):
    machine_file, csv_file = files(tmp_path, [*HAND, ("a", 10, 3, 1.5, "sputter")])
    new = tmp_path / "new.toml"
    code, out, err = run("calibrate", machine_file, csv_file, "--json", "--write", str(new))
    data = json.loads(out)
    assert code == 3 and not data["agree"] and not new.exists()
    assert "is not written: a: trials contradict each other" in err
    assert run("calibrate", machine_file, csv_file)[0] == 3


def test_a_fluid_that_vanishes_brings_its_caution(tmp_path):
    assert "flammable" in answer(tmp_path, HAND, machine(fluid={"kind": "vanishing"})).cautions[-1]
