"""Air temperature of an oven: heater of limited power, first-order inertia, PI control, and its faults."""

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from monitor.contract.record import Floats
from simulator.scenario import OvenTrouble

STEP_S = 0.5
HALL_C = 25.0
INERTIA_S = 90.0  # time constant of an oven with its air and walls; invented, plausible
RESERVE = 1.25  # the heater could hold this many times the setpoint's rise over the hall
ANSWER_S = 30.0  # closed-loop time constant that the control is tuned for
RESET_S = 60.0
UNREST_C = 0.05


@dataclass(slots=True, kw_only=True)
class Oven:
    """True air temperature at steps of `STEP_S` from the start; it goes on where the last call ended."""

    setpoint_C: float
    troubles: Sequence[OvenTrouble]
    repeat_s: float | None
    rng: np.random.Generator
    history_C: Floats = field(default_factory=lambda: np.empty(0))
    _T: float = field(init=False)
    _held: float = field(init=False)  # integral part of the control's output

    def __post_init__(self) -> None:
        self._T = self.setpoint_C
        self._held = 1.0 / RESERVE

    def at(self, t_s: Floats) -> Floats:
        """True air temperature, deg C; times after those made so far make more. Before the start: the setpoint."""
        if len(t_s):
            self._reach(float(np.max(t_s)))
        grid = np.arange(len(self.history_C)) * STEP_S
        return np.interp(t_s, grid, self.history_C) if len(grid) else np.full_like(t_s, self.setpoint_C)

    def _reach(self, t_s: float) -> None:
        have = len(self.history_C)
        want = max(int(np.ceil(t_s / STEP_S)) + 2, 0)
        if want > have:
            steps: Floats = np.asarray(np.arange(have, want) * STEP_S, dtype=np.float64)
            self.history_C = np.concatenate((self.history_C, self._run(steps)))

    def _run(self, t_s: Floats) -> Floats:
        ceiling, setpoint, misled, heat, off = self._circumstances(t_s)
        unrest = self.rng.normal(0.0, UNREST_C, len(t_s))
        gain = INERTIA_S / (ANSWER_S * (self.setpoint_C - HALL_C) * RESERVE)
        T, held, out = self._T, self._held, []
        for top, want, wrong, more, dead, stir in zip(
            ceiling.tolist(),
            setpoint.tolist(),
            misled.tolist(),
            heat.tolist(),
            off.tolist(),
            unrest.tolist(),
            strict=True,
        ):
            out.append(T)
            error = want - (T - wrong)
            held = min(max(held + gain * error * STEP_S / RESET_S, 0.0), 1.0)
            power = 0.0 if dead else min(max(held + gain * error, 0.0), 1.0)
            T += STEP_S * ((HALL_C + power * (top - HALL_C) - T) / INERTIA_S + more) + stir
        self._T, self._held = T, held
        return np.array(out)

    def _circumstances(self, t_s: Floats) -> tuple[Floats, Floats, Floats, Floats, Floats]:
        """Heater's ceiling, setpoint, what control is misled by, extra heat in K/s, and whether it is off."""
        full = HALL_C + RESERVE * (self.setpoint_C - HALL_C)
        ceiling, setpoint = np.full_like(t_s, full), np.full_like(t_s, self.setpoint_C)
        misled, heat, off = np.zeros_like(t_s), np.zeros_like(t_s), np.zeros_like(t_s)
        local = t_s % self.repeat_s if self.repeat_s else t_s
        for one in self.troubles:
            since = local - one.at_s
            on = (since >= 0) & (since < one.duration_s)
            grown = np.clip(since / one.over_s, 0.0, 1.0) if one.over_s else np.ones_like(since)
            if one.kind == "sag":
                assert one.to_C is not None
                ceiling = np.where(on, np.minimum(ceiling, full + grown * (one.to_C - full)), ceiling)
            elif one.kind == "setpoint":
                setpoint = np.where(on, one.to_C or 0.0, setpoint)
            elif one.kind == "drift":
                misled = np.where(on, misled + grown * (one.by_C or 0.0), misled)
            elif one.kind == "overshoot":
                heat = np.where(on, heat + (one.by_C or 0.0) / one.duration_s, heat)
            else:
                off = np.where(on, 1.0, off)
        return ceiling, setpoint, misled, heat, off
