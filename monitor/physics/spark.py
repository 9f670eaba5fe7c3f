"""How long a spark tester's electrode holds the cable, and how fast the line may run for a required exposure."""

UL_CYCLES = 9.0  # UL 1581 / UL 2556, a.c.: every point for 9 full cycles (18 crests); recalled, confidence high


def exposure_s(electrode_m: float, speed_m_per_s: float) -> float:
    """Time [s] that each point of the cable spends in an electrode [m] at a speed [m/s]; infinite at standstill."""
    if electrode_m <= 0 or speed_m_per_s < 0:
        raise ValueError(f"expected an electrode > 0 m and a speed >= 0 m/s, got {electrode_m} and {speed_m_per_s}")
    return electrode_m / speed_m_per_s if speed_m_per_s else float("inf")


def exposure_cycles(electrode_m: float, speed_m_per_s: float, frequency_Hz: float) -> float:
    """Cycles [1] of an a.c. test voltage of a frequency [Hz] that each point meets."""
    return frequency_Hz * exposure_s(electrode_m, speed_m_per_s)


def fastest_for_cycles_m_per_s(electrode_m: float, frequency_Hz: float, cycles: float = UL_CYCLES) -> float:
    """Highest speed [m/s] at which each point still meets that many cycles."""
    return electrode_m * frequency_Hz / cycles


def fastest_for_time_m_per_s(electrode_m: float, exposure_s: float) -> float:
    """Highest speed [m/s] that exposes each point for that time [s] (IEC 62230, a.c. and d.c.: 0.05 s, recalled)."""
    return electrode_m / exposure_s
