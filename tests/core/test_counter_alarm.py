"""Faults of the metre counter that the track found, as outputs and as one alarm."""

from monitor.contract.record import CounterFault
from monitor.core.alarms import AlarmEvent
from monitor.core.counter_alarm import CounterAlarm
from monitor.core.track import Track


def track_with_faults(*times_s: float) -> Track:
    track = Track(line="core-1", jump_m=1.0, slip_percent=3.0)
    track.faults = [
        CounterFault(line="core-1", kind="jump", t_s=t_s, line_metre=1000.0 + t_s, expected_m=0.0, reading_m=t_s)
        for t_s in times_s
    ]
    return track


def test_each_fault_comes_out_once_and_the_alarm_covers_those_that_follow_soon():
    track, alarm = track_with_faults(10.0, 20.0, 100.0), CounterAlarm()
    found = [*alarm.flow(50.0, 50.0, track), *alarm.flow(300.0, 300.0, track)]
    assert [f.t_s for f in found if isinstance(f, CounterFault)] == [10.0, 20.0, 100.0]
    assert [(e.event, e.t_s, e.line_metre) for e in found if isinstance(e, AlarmEvent)] == [
        ("raised", 10.0, 1010.0), ("returned", 50.0, None), ("raised", 100.0, 1100.0), ("returned", 130.0, None),
    ]  # fmt: skip
    assert track.faults == []


def test_a_fault_that_is_not_due_waits():
    track, alarm = track_with_faults(10.0), CounterAlarm()
    assert list(alarm.flow(10.0, 10.0, track)) == []
    assert len(track.faults) == 1


def test_the_alarm_of_a_slip_returns_once_it_is_over():
    track, alarm = track_with_faults(10.0), CounterAlarm()
    track.slips = [(20.0, 20.0, 1020.0), (45.0, 45.0, 1045.0), (90.0, 90.0, 1090.0)]
    found = [*alarm.flow(60.0, 60.0, track), *alarm.flow(200.0, 200.0, track)]
    assert [(e.event, e.t_s) for e in found if isinstance(e, AlarmEvent)] == [
        ("raised", 10.0), ("returned", 75.0), ("raised", 90.0), ("returned", 120.0),
    ]  # fmt: skip
    assert len([f for f in found if isinstance(f, CounterFault)]) == 1
