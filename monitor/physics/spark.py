"""Exposure time in a spark tester's electrode, the time that a rule requires, and the line speed it allows."""

IEC_62230, UL_2556 = "IEC 62230", "UL 2556"
IEC_S = 0.05  # IEC 62230, a.c. and d.c.: every point for 0.05 s; from memory
UL_CYCLES = 9.0  # UL 1581 / UL 2556, a.c.: every point for 9 full cycles (18 crests); from memory, confidence high


def exposure_s(electrode_m: float, speed_m_per_s: float) -> float:
    """Time [s] that each point of the cable spends in an electrode [m] at a speed [m/s]; infinite at standstill."""
    if electrode_m <= 0 or speed_m_per_s < 0:
        raise ValueError(f"expected an electrode > 0 m and a speed >= 0 m/s, got {electrode_m} and {speed_m_per_s}")
    return electrode_m / speed_m_per_s if speed_m_per_s else float("inf")


def needed_s(rule: str, frequency_Hz: float | None = None) -> float:
    """Time [s] that a rule requires at each point; UL 2556 counts cycles, so it needs the voltage's frequency [Hz]."""
    if rule == IEC_62230:
        return IEC_S
    if rule != UL_2556 or not frequency_Hz:
        raise ValueError(f"expected {IEC_62230}, or {UL_2556} with a frequency > 0 Hz, got {rule} and {frequency_Hz}")
    return UL_CYCLES / frequency_Hz


def fastest_m_per_s(electrode_m: float, needed_s: float) -> float:
    """Highest speed [m/s] at which each point still spends that time [s] in the electrode [m]."""
    return electrode_m / needed_s
