"""What every page is given: the window of a stream, and the streams worth a trend."""

from dashboard.context import shown_streams, window_of


def test_the_window_of_a_stream_is_that_of_the_recipe(configuration):
    recipe = configuration.recipes["core-2g5"]
    window = window_of(recipe, "oven-b/temperature")
    assert window is not None
    assert window.stream == "oven-b/temperature"
    assert window_of(recipe, "no/such") is None
    assert window_of(None, "oven-b/temperature") is None


def test_streams_are_shown_with_the_speed_first_and_the_others_along_the_path(configuration):
    line = configuration.lines["core-1"]
    shown = shown_streams(line)
    assert shown[0] == line.counter.speed
    places = [line.stations[path.split("/")[0]].middle_m for path in shown[1:]]
    assert places == sorted(places)
    samples = {s.path for s in line.stream if s.kind == "samples"}
    assert set(shown) == samples - {line.counter.stream}  # the counter's reading only grows


def test_times_are_those_of_the_plant(context):
    assert context.zone == context.configuration.works.time_zone
