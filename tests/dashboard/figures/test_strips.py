"""Strips of streams as data: limits, dashes, stops and times. No picture is compared."""

from dashboard.figures.strips import offset_ms, strips, strips_figure


def test_two_axes_of_a_gauge_share_a_strip_and_differ_in_dash(configuration):
    line, recipe = configuration.lines["core-1"], configuration.recipes["core-2g5"]
    made = strips(line, recipe, ["cold-gauge/diameter-x", "cold-gauge/diameter-y", "head/pressure"])
    assert [s.streams for s in made] == [("cold-gauge/diameter-x", "cold-gauge/diameter-y"), ("head/pressure",)]
    assert made[0].limits == {"LOLO": 3.44, "LO": 3.5, "HI": 3.66, "HIHI": 3.74}
    figure = strips_figure(made, {}, (0, 1000), "UTC")
    dashes = {t.meta: t.line.dash for t in figure.data}
    assert dashes["cold-gauge/diameter-x"] != dashes["cold-gauge/diameter-y"]


def test_limits_are_drawn_named_and_always_within_sight(configuration):
    line, recipe = configuration.lines["core-1"], configuration.recipes["core-2g5"]
    figure = strips_figure(strips(line, recipe, ["shock-oven/temperature"]), {}, (0, 1000), "UTC")
    assert {s.name: s.y0 for s in figure.layout.shapes} == {"LOLO": 510.0, "LO": 525.0, "HI": 555.0, "HIHI": 570.0}
    assert figure.layout.yaxis.autorangeoptions.include == (510.0, 525.0, 555.0, 570.0)
    assert " LOLO 510" in [a.text for a in figure.layout.annotations]


def test_times_on_the_axis_are_the_works_own(configuration):
    line = configuration.lines["core-1"]
    winter, summer = 1_764_038_000_000, 1_751_328_000_000
    assert offset_ms(winter, "Europe/Stockholm") == 3_600_000
    assert offset_ms(summer, "Europe/Stockholm") == 7_200_000
    made = strips(line, None, ["head/pressure"])
    figure = strips_figure(made, {"head/pressure": ([winter], [1.0])}, (winter - 1000, winter), "Europe/Stockholm")
    assert figure.data[0].x == (winter + 3_600_000,)


def test_stops_are_shaded_only_within_the_span(configuration):
    line = configuration.lines["core-1"]
    states = [(0, "running", ""), (400, "stopped", "drum change"), (600, "running", "")]
    figure = strips_figure(strips(line, None, ["head/pressure"]), {}, (500, 1000), "UTC", states=states)
    assert [(s.x0, s.x1, s.name) for s in figure.layout.shapes] == [(500, 600, "stopped")]


def test_strips_never_overlap(configuration):
    line = configuration.lines["core-1"]
    paths = [s.path for s in line.stream if s.kind == "samples"]
    for columns in (1, 3):
        made = strips(line, None, paths)
        layout = strips_figure(made, {}, (0, 1), "UTC", columns=columns).layout.to_plotly_json()
        cells = [
            (*layout[f"xaxis{i + 1 if i else ''}"]["domain"], *layout[f"yaxis{i + 1 if i else ''}"]["domain"])
            for i in range(len(made))
        ]
        for i, a in enumerate(cells):
            assert 0 <= a[0] < a[1] <= 1
            assert -1e-9 <= a[2] < a[3] <= 1
            for b in cells[:i]:
                assert a[1] <= b[0] or b[1] <= a[0] or a[3] <= b[2] or b[3] <= a[2]
