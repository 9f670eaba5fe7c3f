"""What happens on the lines, as types of the scenario files; times count from the start, metres from the first cut."""

from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from monitor.contract.config.base import Name, NotNegative, Positive, Settings, StreamPath
from monitor.contract.config.configuration import Configuration
from monitor.contract.config.line import Line
from monitor.contract.config.load import ConfigurationError, FileFault, parse_model
from monitor.contract.config.load import parse as parse_configuration
from monitor.contract.config.recipe import Recipe

Share = Annotated[float, Field(ge=0, le=1)]
LATEST_S = 1e8


class Wire(Settings):
    """What the way to the broker does to messages. A delay is exponential about its mean and never over the most."""

    delay_mean_s: NotNegative = 0.0
    delay_most_s: NotNegative = 0.0
    repeated_share: Share = 0.0
    repeated_after_s: NotNegative = 0.5
    reordered_share: Share = 0.0
    reordered_by_s: NotNegative = 1.0
    lost_share: Share = 0.0


class SpeedStep(Settings):
    """The line changes to another speed, evenly over a time."""

    at_s: NotNegative
    to_m_per_min: NotNegative
    over_s: Positive
    reason: str = ""


class Screw(Settings):
    """What the extruder does to the diameter while nothing is wrong. Lag is the time by which it follows the speed."""

    pulsation_mm: NotNegative = 0.008
    pulsation_period_s: Positive = 1.31
    wander_mm: NotNegative = 0.012
    ovality_mm: NotNegative = 0.004
    lag_s: NotNegative = 0.03


class Noise(Settings):
    """Standard deviation of each kind of gauge."""

    diameter_mm: NotNegative = 0.006
    temperature_C: NotNegative = 0.25
    speed_m_per_min: NotNegative = 0.15
    steady_percent: NotNegative = 1.0
    flame_C: NotNegative = 2.0


class OvenTrouble(Settings):
    """One thing that happens to an oven.

    `sag`: the heater weakens over `over_s` until it can hold no more than `to_C`, for `for_s`; control then overshoots.
    `drift`: control is misled, and the air wanders off by `by_C` over `over_s`, for `for_s` in all.
    `trip`: the heater is off for `for_s`. `setpoint`: somebody sets `to_C`, back after `for_s` if that is given.
    `overshoot`: heat for `by_C` more comes in over `for_s`.
    """

    zone: Name
    kind: Literal["sag", "drift", "trip", "setpoint", "overshoot"]
    at_s: NotNegative
    for_s: Positive | None = None
    over_s: NotNegative = 0.0
    to_C: float | None = None
    by_C: float | None = None

    @property
    def duration_s(self) -> float:
        """Duration; for good where none is given."""
        return LATEST_S if self.for_s is None else self.for_s

    @model_validator(mode="after")
    def _complete(self) -> Self:
        _need(self.kind, self.to_C, "to_C", ("sag", "setpoint"))
        _need(self.kind, self.by_C, "by_C", ("drift", "overshoot"))
        _need(self.kind, self.for_s, "for_s", ("trip", "overshoot"))
        return self


class Places(Settings):
    """Where along the cable: at given metres (and again every so many), or at random so many per km."""

    at_m: tuple[NotNegative, ...] = ()
    every_m: Positive | None = None
    per_km: Positive | None = None
    from_m: NotNegative = 0.0
    to_m: Positive | None = None

    @property
    def end_m(self) -> float:
        return float("inf") if self.to_m is None else self.to_m

    def one_way(self) -> None:
        """Raises ValueError unless exactly one of `at_m` and `per_km` says where."""
        if bool(self.at_m) == (self.per_km is not None):
            raise ValueError("missing position: give either at_m, a list of metres, or per_km, a rate")
        if self.every_m is not None and self.at_m and max(self.at_m) - min(self.at_m) >= self.every_m:
            raise ValueError(f"at_m spans more than every_m {self.every_m:g}: the places would overtake each other")


class Lump(Places):
    """A lump (height above 0) or a neck (below): a raised cosine over `length_m`, `height_mm` in diameter."""

    height_mm: float
    length_m: Positive = 0.6

    @model_validator(mode="after")
    def _placed(self) -> Self:
        self.one_way()
        return self


class Sparks(Places):
    """Faults of the insulation that the spark tester will find.

    `random`: single ones. `cluster`: `count` of them within `spread_m`. `recurring`: a rotating part marks the cable
    at `phase_deg` of a turn with `probability`; its circumference in the line file is worn down by `wear_percent`.
    """

    kind: Literal["random", "cluster", "recurring"]
    count: Annotated[int, Field(ge=1)] = 5
    spread_m: Positive = 3.0
    part: Name | None = None
    phase_deg: Annotated[float, Field(ge=0, lt=360)] = 0.0
    probability: Annotated[float, Field(gt=0, le=1)] = 1.0
    wear_percent: NotNegative = 0.0

    @model_validator(mode="after")
    def _complete(self) -> Self:
        _need(self.kind, self.part, "part", ("recurring",))
        if self.kind != "recurring":
            self.one_way()
        return self


class InstrumentTrouble(Settings):
    """A gauge sticks at its value, drifts by `by` a minute, says that its values are bad, or says nothing."""

    stream: StreamPath
    kind: Literal["stick", "drift", "bad", "drop-out"]
    at_s: NotNegative
    for_s: Positive
    by_per_min: float | None = None

    @model_validator(mode="after")
    def _complete(self) -> Self:
        _need(self.kind, self.by_per_min, "by_per_min", ("drift",))
        return self


class CounterTrouble(Settings):
    """The metre counter starts again at 0, jumps by `by_m`, or loses `percent` of the metres for `for_s`.

    It wraps by itself where the line file says so: start it near the end with `line_metre_start_m`.
    """

    kind: Literal["reset", "jump", "slip"]
    at_s: NotNegative
    for_s: Positive | None = None
    by_m: float | None = None
    percent: Annotated[float, Field(gt=0, le=100)] | None = None

    @model_validator(mode="after")
    def _complete(self) -> Self:
        _need(self.kind, self.by_m, "by_m", ("jump",))
        _need(self.kind, self.percent, "percent", ("slip",))
        _need(self.kind, self.for_s, "for_s", ("slip",))
        return self


class Upset(Settings):
    """Something true happens to a quantity that is otherwise steady: it is off by `by`, reached over `over_s`."""

    stream: StreamPath
    at_s: NotNegative
    for_s: Positive
    by: float
    over_s: NotNegative = 0.0


class Event(Places):
    """An event that is sent when its place is at the station of `stream`: a tape that breaks, a mark on the sheath."""

    stream: StreamPath

    @model_validator(mode="after")
    def _placed(self) -> Self:
        self.one_way()
        return self


class PayOffFeed(Settings):
    """What goes in at a pay-off: every so many drums of a line of this scenario, or bought in, all of one length.

    `tested_at` is the station whose spark tester detects this drum's own faults again.
    """

    station: Name
    of: Name | None = None
    first: Annotated[int, Field(ge=1)] = 1
    every: Annotated[int, Field(ge=1)] = 1
    bought: str | None = None
    bought_m: Positive = 5000.0
    tested_at: Name | None = None

    @model_validator(mode="after")
    def _from_somewhere(self) -> Self:
        if (self.of is None) == (self.bought is None):
            raise ValueError("name the input: `of`, a line of this scenario, or `bought`, the drums' prefix")
        return self


class Campaign(Settings):
    """A line that runs when it is given drums: the first pay-off leads, and each of its drums is one job.

    With `reel_m` it cuts reels, around known faults with a guard; with `burn_s` it tests specimens in the flame.
    """

    bring_s: NotNegative = 120.0
    change_s: Positive = 60.0
    ramp_s: Positive = 15.0
    reel_m: Positive | None = None
    short_m: Positive = 50.0
    guard_m: NotNegative = 2.0
    burn_s: Positive | None = None
    specimen_m: Positive = 1.2
    fails_after_s: tuple[NotNegative, ...] = ()


class LineScript(Settings):
    """One line's part in a scenario. A line with a `campaign` follows those whose drums it takes."""

    line: Name
    recipe: Name
    start_m_per_min: NotNegative = 0.0
    line_metre_start_m: NotNegative = 1000.0
    drum_prefix: str
    drum_length_m: tuple[Positive, ...] = ()
    campaign: Campaign | None = None
    pay_off: tuple[PayOffFeed, ...] = ()
    event: tuple[Event, ...] = ()
    screw: Screw = Screw()
    noise: Noise = Noise()
    speed: tuple[SpeedStep, ...] = ()
    oven: tuple[OvenTrouble, ...] = ()
    lump: tuple[Lump, ...] = ()
    spark: tuple[Sparks, ...] = ()
    instrument: tuple[InstrumentTrouble, ...] = ()
    counter: tuple[CounterTrouble, ...] = ()
    upset: tuple[Upset, ...] = ()

    @model_validator(mode="after")
    def _moves(self) -> Self:
        if self.campaign is None and (not self.drum_length_m or self.pay_off):
            raise ValueError(f"line {self.line}: give drum_length_m; only a line with a [line.campaign] has pay_off")
        if self.campaign is not None and (self.speed or self.start_m_per_min or self.drum_length_m or not self.pay_off):
            raise ValueError(
                f"line {self.line}: a campaign follows its pay_off; leave out start_m_per_min, speed and drum_length_m"
            )
        return self

    @model_validator(mode="after")
    def _steps_follow(self) -> Self:
        for before, after in zip(self.speed, self.speed[1:], strict=False):
            if after.at_s < before.at_s + before.over_s:
                ends = before.at_s + before.over_s
                raise ValueError(
                    f"the speed step at {after.at_s:g} s begins before the one before it ends ({ends:g} s)"
                )
        return self


class Scenario(Settings):
    """A script for some lines. With `repeat_s` everything that has a time happens again in each such period."""

    scenario: Name
    title: str
    seed: Annotated[int, Field(ge=0)]
    duration_s: Positive = 600.0
    repeat_s: Positive | None = None
    wire: Wire = Wire()
    line: Annotated[list[LineScript], Field(min_length=1)]

    @property
    def scripts(self) -> dict[str, LineScript]:
        return {script.line: script for script in self.line}

    @model_validator(mode="after")
    def _repeats(self) -> Self:
        if self.repeat_s is None:
            return self
        for script in self.line:
            _fits(script, self.repeat_s)
        return self


def _need(kind: str, value: object, key: str, kinds: tuple[str, ...]) -> None:
    if kind in kinds and value is None:
        raise ValueError(f"kind {kind!r} needs {key}")


def _fits(script: LineScript, repeat_s: float) -> None:
    """A period must begin as it ends, and hold all that happens in it."""
    if script.speed and script.speed[-1].to_m_per_min != script.start_m_per_min:
        last = script.speed[-1].to_m_per_min
        raise ValueError(
            f"line {script.line}: with repeat_s the last speed step must return to start_m_per_min "
            f"{script.start_m_per_min:g}, it goes to {last:g}"
        )
    ends = [("speed", s.at_s + s.over_s) for s in script.speed]
    timed = [
        ("oven", script.oven),
        ("instrument", script.instrument),
        ("counter", script.counter),
        ("upset", script.upset),
    ]
    ends += [(what, one.at_s + (one.for_s or 0.0)) for what, all_ in timed for one in all_]  # type: ignore[attr-defined]
    for what, end_s in ends:
        if end_s > repeat_s:
            raise ValueError(f"line {script.line}: an entry of {what} ends at {end_s:g} s, after repeat_s {repeat_s:g}")


# ---- reading ----------------------------------------------------------------------------------------------


def load_scenario(folder: Path, name: str, configuration: Configuration) -> Scenario:
    """Scenario `name` of a configuration folder; raises ConfigurationError, or FileNotFoundError naming the others."""
    path = folder / "scenarios" / f"{name}.toml"
    if not path.is_file():
        known = ", ".join(sorted(p.stem for p in path.parent.glob("*.toml"))) or "none"
        raise FileNotFoundError(f"no scenario {name!r} in {path.parent}: there are {known}")
    return parse_scenario(f"scenarios/{name}.toml", path.read_text(encoding="utf-8"), configuration)


def parse_scenario(file: str, text: str, configuration: Configuration) -> Scenario:
    """A scenario from its text; raises ConfigurationError with every fault."""
    faults: list[FileFault] = []
    scenario = parse_model(file, text, Scenario, faults)
    if scenario is not None:
        faults += _meets(file, scenario, configuration)
    if scenario is None or faults:
        raise ConfigurationError(faults)
    return scenario


def faults_of(files: Mapping[str, str]) -> list[FileFault]:
    """What is wrong with the scenario files of a configuration, given all its file texts by relative path."""
    try:
        configuration = parse_configuration(files)
    except ConfigurationError:
        configuration = None  # reported by the check of those files; here only each scenario by itself
    faults: list[FileFault] = []
    for file, text in files.items():
        if file.startswith("scenarios/"):
            scenario = parse_model(file, text, Scenario, faults)
            if scenario is not None and configuration is not None:
                faults += _meets(file, scenario, configuration)
    return faults


def _meets(file: str, scenario: Scenario, configuration: Configuration) -> list[FileFault]:
    faults = []
    if scenario.scenario != Path(file).stem:
        problem = f"expected {Path(file).stem!r} as the file is called, got {scenario.scenario!r}."
        faults.append(FileFault(file, "scenario", problem, "Rename one."))
    for i, script in enumerate(scenario.line, 1):
        line = configuration.lines.get(script.line)
        recipe = configuration.recipes.get(script.recipe)
        if line is None:
            known = ", ".join(configuration.lines)
            faults.append(
                FileFault(file, f"line[{i}].line", f"no line {script.line!r}; there are {known}.", "Correct it.")
            )
        if recipe is None:
            known = ", ".join(configuration.recipes)
            problem = f"no recipe {script.recipe!r}; there are {known}."
            faults.append(FileFault(file, f"line[{i}].recipe", problem, "Correct it."))
        if line is not None and recipe is not None:
            faults += _check_script(file, f"line[{i}]", script, line, recipe)
            faults += _check_pay_offs(file, f"line[{i}]", script, line, [s.line for s in scenario.line[: i - 1]])
    return faults


def _check_script(file: str, key: str, script: LineScript, line: Line, recipe: Recipe) -> list[FileFault]:
    faults = []
    if recipe.line_kind != line.kind:
        problem = f"recipe {recipe.recipe!r} is for lines of kind {recipe.line_kind!r}, {line.line} is {line.kind!r}."
        faults.append(FileFault(file, f"{key}.recipe", problem, "Name a recipe for this kind of line."))
    if recipe.laying_up and recipe.laying_up.layers:
        problem = f"recipe {recipe.recipe!r} lays up {recipe.laying_up.cores} cores; the simulator knows one layer."
        faults.append(FileFault(file, f"{key}.recipe", problem, "Name a recipe with six cores or fewer."))
    parts = {part.name: line.stations[part.station].position_m for part in line.rotating_part}
    testers = [line.stations[s.station].position_m for s in line.stream if s.kind == "events"]
    ovens = {z.name for z in line.zone if z.medium == "air"} & set(recipe.setpoints.zone_C)
    for j, spark in enumerate(script.spark, 1):
        if spark.part is not None and spark.part not in parts:
            problem = f"line {line.line} has no rotating part {spark.part!r}; it has {', '.join(parts)}."
            faults.append(FileFault(file, f"{key}.spark[{j}].part", problem, "Correct the name."))
        elif spark.part is not None and testers and parts[spark.part] > min(testers):
            problem = f"{spark.part!r} touches the cable after the spark tester, which cannot find its marks."
            faults.append(FileFault(file, f"{key}.spark[{j}].part", problem, "Name a part before the tester."))
    for j, oven in enumerate(script.oven, 1):
        if oven.zone not in ovens:
            problem = (
                f"line {line.line} with {recipe.recipe} has no oven {oven.zone!r}; it has {', '.join(sorted(ovens))}."
            )
            faults.append(FileFault(file, f"{key}.oven[{j}].zone", problem, "Correct the name."))
    named = [(f"instrument[{j}]", one.stream) for j, one in enumerate(script.instrument, 1)]
    named += [(f"upset[{j}]", one.stream) for j, one in enumerate(script.upset, 1)]
    named += [(f"event[{j}]", one.stream) for j, one in enumerate(script.event, 1)]
    for what, path in named:
        if path not in line.streams:
            problem = f"line {line.line} has no stream {path!r}."
            faults.append(FileFault(file, f"{key}.{what}.stream", problem, "Correct the name."))
    return faults


def _check_pay_offs(file: str, key: str, script: LineScript, line: Line, before: list[str]) -> list[FileFault]:
    """What is put on comes from a line earlier in this scenario, at a pay-off that the line has."""
    faults = []
    for j, one in enumerate(script.pay_off, 1):
        if one.station not in line.pay_off:
            problem = f"line {line.line} has no pay-off {one.station!r}; it has {', '.join(line.pay_off) or 'none'}."
            faults.append(FileFault(file, f"{key}.pay_off[{j}].station", problem, "Correct the name."))
        if one.of is not None and one.of not in before:
            problem = f"no line {one.of!r} before this one; before it are {', '.join(before) or 'none'}."
            faults.append(
                FileFault(file, f"{key}.pay_off[{j}].of", problem, "List the lines in the order of the cable.")
            )
        if one.tested_at is not None and one.tested_at not in line.stations:
            problem = f"line {line.line} has no station {one.tested_at!r}."
            faults.append(FileFault(file, f"{key}.pay_off[{j}].tested_at", problem, "Correct the name."))
    return faults
