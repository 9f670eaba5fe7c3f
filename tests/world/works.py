"""A small works for the world under a seed: one slow core line with an oven, a gauge, a tester and a take-up."""

import re
from functools import cache

from monitor.contract.config.configuration import Configuration
from monitor.contract.config.load import parse
from monitor.contract.config.works import Store
from tests.world.stories import Kind

LINE = "core-9"

WORKS = """
works = "tarn"
title = "Tarn Cable Works (invented)"
time_zone = "Europe/Stockholm"
[wire]
ahead_max_s = 1e9
behind_max_s = 1e9
"""

LINE_FILE = """
line = "core-9"
revision = 1
kind = "core"
title = "Core line 9"
take_up = "take-up"
pay_off = ["pay-off"]
reorder_s = 20.0
settle_s = 60.0
stopped_below_m_per_min = 0.5
[counter]
stream = "metre-counter/length"
speed = "metre-counter/speed"
wraps_at_m = 1000.0
jump_tolerance_m = 5.0
slip_tolerance_percent = 20.0
silent_after_s = 90.0
"""

STATIONS = {"pay-off": -2.0, "oven": 4.0, "gauge": 8.0, "tester": 9.0, "metre-counter": 10.0, "take-up": 12.0}

STREAMS = (
    ("metre-counter", "length", "m", "samples", True),
    ("metre-counter", "speed", "m/min", "samples", False),
    ("oven", "temperature", "degC", "samples", True),
    ("gauge", "diameter", "mm", "samples", True),
    ("tester", "fault", "1", "events", False),
)

RESPONSE = """
cause = "Invented for this test."
consequence = "Invented for this test."
corrective_action = "Caution: hot surfaces. Call a competent person."
time_to_respond_s = 60
"""

RECIPE = f"""
recipe = "thin"
revision = 1
title = "Thin core"
line_kind = "core"
[geometry]
conductor_diameter_mm = 1.0
wall_mm = 0.5
[setpoints]
speed_m_per_min = 6.0
[[window]]
stream = "oven/temperature"
unit = "degC"
states = ["running", "ramping", "stopped"]
lo = 280.0
hi = 320.0
deadband = 2.0
on_delay_s = 20.0
off_delay_s = 20.0
[window.low]
{RESPONSE}
[window.high]
{RESPONSE}
[[window]]
stream = "gauge/diameter"
unit = "mm"
states = ["running", "ramping", "stopped"]
hi = 2.1
on_delay_m = 1.0
off_delay_m = 1.0
[window.high]
{RESPONSE}
[[event_check]]
stream = "tester/fault"
name = "fault"
guard_m = 0.5
[event_check.response]
{RESPONSE}
[[dwell]]
zone = "oven"
max_s = 60.0
on_delay_m = 1.0
[dwell.long]
{RESPONSE}
"""


def _line_file() -> str:
    text = LINE_FILE
    for name, at in STATIONS.items():
        text += f'[[station]]\nname = "{name}"\nposition_m = {at}\n' + ("end_m = 7.0\n" if name == "oven" else "")
    text += '[[zone]]\nname = "oven"\nstart_m = 4.0\nend_m = 7.0\ntemperature = "oven/temperature"\n'
    for station, quantity, unit, kind, required in STREAMS:
        text += f'[[stream]]\nstation = "{station}"\nquantity = "{quantity}"\nunit = "{unit}"\nkind = "{kind}"\n'
        text += f"required = {str(required).lower()}\n" + ("interval_s = 10.0\n" if kind == "samples" else "")
        if kind == "samples":
            text += f"missing_after_s = 200.0\n[stream.instrument]\n{RESPONSE}"
    return text


@cache
def _parsed(recipe_revision: int, line_revision: int) -> Configuration:
    recipe, line = _revised(RECIPE, recipe_revision), _revised(_line_file(), line_revision)
    return parse({"works.toml": WORKS, "lines/core-9.toml": line, "recipes/thin.toml": recipe})


def _revised(text: str, revision: int) -> str:
    """A file's text with another revision and title."""
    text = re.sub(r"(?m)^revision = 1$", f"revision = {revision}", text, count=1)
    return re.sub(r'(?m)^title = "(.*)"$', rf'title = "\1 {revision}"', text, count=1)


def configuration(folder: str, kind: Kind, recipe_revision: int = 1, line_revision: int = 1) -> Configuration:
    """The small works with its store in a folder; a later revision of its recipe or line has another title only."""
    c = _parsed(recipe_revision, line_revision)
    store = Store(folder=folder, raw_hours_in_database=kind.raw_hours_in_database)
    return c.model_copy(update={"works": c.works.model_copy(update={"store": store})})
