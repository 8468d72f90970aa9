"""Check values of the trade, computed by hand: common practice, without a source, and only ever used here.

A full stroke gives about three drops. A knob with marks at thirds gives about 10 % of it at the first mark
and 50 % at the second. About six drops a minute are adequate for neat oil, 30 to 40 for a water mix.
Generators run at 2 to 200 strokes a minute.
"""

import pytest

import stackopt

SIX = {"name": "first", "dose": "6 drop/min", "tolerance": "10 %"}
WET = {"name": "second", "dose": "35 drop/min", "tolerance": "5 drop/min"}
TWELVE = {"name": "third", "dose": "12 drop/min", "tolerance": "5 %"}
BANDS = {  # 1/min, by mark: from drops/min over 3, 1.5 and 0.3 drops a stroke
    "first": {"3": (2, 2.2), "2": (3.6, 4.4), "1": (18, 22)},  # mark 3: from 1.8, which the dial cuts off
    "second": {"3": (10, 40 / 3), "2": (20, 80 / 3), "1": (100, 400 / 3)},
    "third": {"3": (3.8, 4.2), "2": (7.6, 8.4), "1": (38, 42)},
}


def machine(*points, low="2/min", high="200/min", **dial):
    rest = {"pump": "knob", "nozzle": "small", "air_flow": {"min": "10 L/min"}}
    return stackopt.Problem(
        title="common practice",
        fluid={"kind": "neat oil", "drop": "0.02 mL"},
        generator={"rate": {"min": low, "max": high, **dial}},
        pumps={"knob": {"stroke_volume": "3 drop", "marks": {"1": 0.1, "2": 0.5, "3": 1.0}}},
        nozzles={"small": {"turns": [1], "flow": ["20 L/min"]}},
        air={"pressure": "6 bar", "capacity": "300 L/min"},
        point=[{**point, **rest} for point in points],
    )


def printed(found):
    """The printed text with its lines joined."""
    return " ".join(str(found).split())


def near(low, high):
    return pytest.approx((low, high), rel=1e-9, abs=0)


def ranges(rows):
    return [(row["from_per_min"], row["to_per_min"]) for row in rows]


@pytest.mark.parametrize(("rate", "mark"), [(2, "3"), (4, "2"), (20, "1")])
def test_six_drops_a_minute_come_out_exactly_on_each_mark(rate, mark):
    result = stackopt.solve(machine(SIX, low=f"{rate}/min", high=f"{rate}/min", step="1/min"))
    (point,) = result.to_dict()["points"]
    assert (result.rate, point["mark"]) == (rate, mark)
    assert point["dose_mL_per_h"] == pytest.approx(6 * 0.02 * 60, rel=1e-12)
    assert point["error"] == pytest.approx(0, abs=1e-12)


def test_of_the_three_rates_for_six_drops_the_lowest_is_taken():
    result = stackopt.solve(machine(SIX))
    assert result.rate == pytest.approx(2, rel=1e-12)
    assert result.points[0].mark == "3"
    assert result.objective.mean_error == pytest.approx(0, abs=1e-12)


def test_the_bands_of_each_point():
    answer = stackopt.rates(machine(SIX, WET, TWELVE)).to_dict()
    assert [point["name"] for point in answer["points"]] == ["first", "second", "third"]
    for point in answer["points"]:
        got = {band["mark"]: (band["from_per_min"], band["to_per_min"]) for band in point["bands"]}
        assert got.keys() == BANDS[point["name"]].keys()
        for mark, (low, high) in BANDS[point["name"]].items():
            assert got[mark] == near(low, high)
        assert {band["pump"] for band in point["bands"]} == {"knob"}


def test_one_band_is_common_to_neat_oil_and_water_mix():
    found = stackopt.rates(machine(SIX, WET))
    answer = found.to_dict()
    assert ranges(answer["shared"]) == [near(20, 22)]
    assert ranges([answer["most"]]) == [near(20, 22)]
    assert answer["most"]["points"] == ["first", "second"]
    assert (answer["conflicts"], answer["conflicts_complete"], found.exit_code) == ([], True, 0)


def test_a_third_point_shares_with_one_and_conflicts_with_the_other():
    assert ranges(stackopt.rates(machine(SIX, TWELVE)).to_dict()["shared"]) == [near(3.8, 4.2)]
    assert stackopt.rates(machine(WET, TWELVE)).to_dict()["shared"] == []

    found = stackopt.rates(machine(SIX, WET, TWELVE))
    answer = found.to_dict()
    assert (answer["shared"], found.exit_code) == ([], 3)
    assert [conflict["points"] for conflict in answer["conflicts"]] == [["second", "third"]]
    assert answer["conflicts"][0]["rules"] == []
    assert answer["conflicts_complete"]
    assert (answer["most"]["count"], answer["most"]["points"]) == (2, ["first", "third"])
    assert ranges([answer["most"]]) == [near(3.8, 4.2)]


def test_the_print_of_rates_says_the_same():
    text = printed(stackopt.rates(machine(SIX)))
    assert "shared 2 to 2.2 and 3.6 to 4.4 and 18 to 22 strokes/min" in text
    assert "2 to 2.2 (mark 3), 3.6 to 4.4 (mark 2), 18 to 22 (mark 1)" in text

    text = printed(stackopt.rates(machine(SIX, WET)))
    assert "shared 20 to 22 strokes/min" in text
    assert "10 to 13.33 (mark 3), 20 to 26.67 (mark 2), 100 to 133.3 (mark 1)" in text

    text = printed(stackopt.rates(machine(SIX, TWELVE)))
    assert "shared 3.8 to 4.2 strokes/min" in text
    assert "3.8 to 4.2 (mark 3), 7.6 to 8.4 (mark 2), 38 to 42 (mark 1)" in text

    text = printed(stackopt.rates(machine(SIX, WET, TWELVE)))
    assert "no rate serves every point" in text
    assert "2 of 3 points at 3.8 to 4.2 strokes/min" in text
    assert (
        "second needs 10 to 13.33 strokes/min at mark 3 or 20 to 26.67 at mark 2 or 100 to 133.3 at mark 1; "
        "third needs 3.8 to 4.2 strokes/min at mark 3 or 7.6 to 8.4 at mark 2 or 38 to 42 at mark 1; "
        "nothing overlaps"
    ) in text
    assert "first needs" not in text
