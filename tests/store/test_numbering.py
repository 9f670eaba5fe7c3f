"""Numbers of a stream: each message once, and a publisher forgets only what is stored, refused or never came."""

from dataclasses import dataclass, field
from unittest import mock

from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.contract.messages import Stored
from monitor.store import numbering
from monitor.store.numbering import DEFERRED_MAX, HOLES_MAX, NUMBERINGS_MAX, Numbering, StreamNumbers

numbers = st.lists(st.integers(0, 30), min_size=1, max_size=60)


def entered(arrivals: list[int], start: int = 0) -> StreamNumbers:
    made = StreamNumbers()
    for n in arrivals:
        made.add(start, n, 1_000_000 + n)
    return made


def of_report(report: Stored) -> set[int]:
    """The numbers that a report lets a publisher forget."""
    holes = {n for first, last in report.missing for n in range(first, last + 1)}
    return set(range(report.first, report.n + 1)) - holes


@given(numbers)
def test_each_number_is_new_once_whatever_the_order(arrivals):
    made = StreamNumbers()
    new = [n for n in arrivals if made.add(0, n, 1_000_000 + n) == "new"]
    assert sorted(new) == sorted(set(arrivals))


@given(numbers, st.integers(0, 5))
def test_a_report_names_exactly_the_stored_numbers(arrivals, start):
    (report,) = entered(arrivals, start).reports({start: ()})
    assert of_report(report) == set(arrivals)
    assert report.start == start
    assert report.missing == sorted(report.missing)


def test_a_first_message_7_leaves_0_to_6_unreported_until_they_come_b3():
    made = entered([7])
    assert made.reports({0: ()}) == [Stored(n=7, first=7)]
    for n in range(7):
        assert made.add(0, n, 1_000_000 + n) == "new"
    assert made.reports({0: ()}) == [Stored(n=7, first=0)]


def test_a_hole_stays_missing_however_late_and_may_still_be_filled_b3():
    made = entered([0, 2])
    for n in range(3, 2000):
        made.add(0, n, 10_000_000 + 1000 * n)
    assert made.reports({0: ()}) == [Stored(n=1999, first=0, missing=[(1, 1)])]
    assert made.add(0, 1, 1_000_001) == "new"
    assert made.reports({0: ()}) == [Stored(n=1999, first=0)]


@given(numbers, st.integers(0, 3))
def test_what_is_kept_as_text_comes_back_and_a_copy_is_apart(arrivals, start):
    made = entered(arrivals, start)
    text = made.text()
    assert StreamNumbers.read(text) == made
    made.copy().add(start, 99, 0)
    assert made.text() == text


def test_text_of_version_0_4_0_is_read():
    old = StreamNumbers.read("[5000,[[0,7,1000],[9,12,2000]]]")
    assert old.newest_ms == 5000
    assert old.reports({0: ()}) == [Stored(n=12, first=0, missing=[(8, 8)])]


def test_memory_of_holes_is_bounded_and_what_is_older_is_forgotten_not_stored():
    made = entered([2 * k for k in range(HOLES_MAX + 10)])
    (report,) = made.reports({0: ()})
    assert len(report.missing) == HOLES_MAX
    assert report.first > 0
    assert made.add(0, report.first - 1, 0) == "forgotten"
    assert made.add(0, report.first + 1, 0) == "new"


def test_memory_of_numberings_is_bounded_too():
    made = StreamNumbers()
    for start in range(1, NUMBERINGS_MAX + 3):
        assert made.add(start, 0, start) == "new"
    assert len(made.numberings) == NUMBERINGS_MAX
    assert made.add(1, 0, 1) == "forgotten"
    assert made.add(NUMBERINGS_MAX, 0, NUMBERINGS_MAX) == "stored"


def test_a_numbering_that_is_used_is_remembered_and_kept_so():
    made = StreamNumbers()
    for start in range(1, 3 * NUMBERINGS_MAX):
        assert made.add(0, start, start) == "new"
        assert made.add(start, 0, start) == "new"
        made = StreamNumbers.read(made.text())
    assert made.add(1, 0, 1) == "forgotten"
    assert made.add(0, 1, 1) == "stored"


def test_numbers_kept_before_their_use_was_are_read():
    old = StreamNumbers.read('{"newest_ms":9,"numberings":[[3,[[0,1]],0],[5,[[0,0]],0]]}')
    assert old.add(3, 1, 1) == "stored"
    assert old.used == [5, 3]
    full = ",".join(f"[{start},[[0,0]],0]" for start in range(20, 20 + NUMBERINGS_MAX))
    assert StreamNumbers.read(f'{{"newest_ms":9,"numberings":[{full}]}}').add(19, 0, 99) == "forgotten"


T_MS = 1_795_690_000_000


def restarted(made: StreamNumbers, times: int, first: int = 1) -> list[str]:
    """A publisher that is started again and again, and what becomes of its first message each time."""
    return [made.add(T_MS + 1000 * k, 0, T_MS + 1000 * k) for k in range(first, first + times)]


def test_one_mistaken_start_forgets_no_other_numbering():
    """Microseconds for milliseconds, once; it is forgotten after 16 restarts, and they go on for ever."""
    made = StreamNumbers()
    assert made.add(T_MS * 1000, 0, T_MS) == "new"
    assert set(restarted(made, 200)) == {"new"}
    made = StreamNumbers.read(made.text())
    assert made.add(T_MS * 1000, 0, T_MS) == "forgotten"
    assert made.add(T_MS + 1000, 0, T_MS) == "forgotten"
    assert set(restarted(made, 200, first=201)) == {"new"}
    assert len(made.text()) < 1500


def test_a_publisher_whose_starts_were_all_mistaken_goes_on_with_right_ones():
    made = StreamNumbers()
    for k in range(100):
        assert made.add((T_MS + 1000 * k) * 1000, 0, T_MS + 1000 * k) == "new"
    assert set(restarted(made, 200, first=101)) == {"new"}


def test_a_ledger_that_forgot_all_for_a_mistaken_start_recovers():
    kept = ",".join(f"[{T_MS + k},[[0,0]],0]" for k in range(NUMBERINGS_MAX))
    used = [T_MS + k for k in range(NUMBERINGS_MAX)]
    text = f'{{"newest_ms":{T_MS},"numberings":[{kept}],"used":{used},"forgotten":{T_MS * 1000}}}'
    made = StreamNumbers.read(text)
    assert set(restarted(made, 3)) == {"new"}
    assert made.add(T_MS * 1000, 0, T_MS) == "forgotten"
    assert made.add(T_MS - 1, 0, T_MS) == "forgotten"


def test_numberings_do_not_mix():
    made = entered([0, 1, 2])
    assert made.add(77, 0, 2_000_000) == "new"
    assert made.add(0, 2, 1_000_002) == "stored"
    assert made.add(77, 1, 900_000) == "new"  # its clock may go back
    assert made.reports({77: ()}) == [Stored(n=1, first=0, start=77)]
    assert made.reports({0: ()}) == [Stored(n=2, first=0)]


def test_a_number_used_again_under_a_newer_stamp_is_taken_rather_than_called_stored():
    made = entered(list(range(100)))
    assert made.add(0, 0, 1_000_000) == "stored"
    assert made.add(0, 0, 5_000_000) == "new"
    assert made.add(0, 0, 5_000_000) == "stored"
    assert made.reports({0: ()}) == [Stored(n=0, first=0)]


# ---- a model publisher by the rules ------------------------------------------------------------------------------


@dataclass
class Model:
    """A publisher that keeps to the contract, a wire that drops, repeats and reorders, and the monitor's numbers."""

    keeps_outbox: bool
    clock: int = 1000
    start: int = 0
    next_n: int = 0
    outbox: dict[tuple[int, int], int] = field(default_factory=dict)
    monitor: StreamNumbers = field(default_factory=StreamNumbers)
    stored: list[tuple[int, int]] = field(default_factory=list)
    accounted: set[tuple[int, int]] = field(default_factory=set)
    wire: list[tuple[int, int, int]] = field(default_factory=list)
    reports: list[Stored] = field(default_factory=list)

    def produce(self) -> None:
        self.clock += 1
        self.outbox[self.start, self.next_n] = self.clock
        self.next_n += 1

    def send(self, which: int) -> None:
        if self.outbox:
            key = list(self.outbox)[which % len(self.outbox)]
            self.wire.append((*key, self.outbox[key]))

    def deliver(self, which: int, keep: bool) -> None:
        if self.wire:
            start, n, t_ms = self.wire[which % len(self.wire)]
            if not keep:
                del self.wire[which % len(self.wire)]
            place = self.monitor.add(start, n, t_ms)
            if place == "new":
                self.stored.append((start, n))
            if place == "forgotten":
                self.outbox.pop((start, n), None)  # refused, with a reason
                self.accounted.add((start, n))
            self.reports += self.monitor.reports({start: [n] if place == "new" else []})

    def receive(self, which: int) -> None:
        """Reports may come late, twice or never."""
        if self.reports:
            report = self.reports[which % len(self.reports)]
            for n in of_report(report):
                if self.outbox.pop((report.start, n), None) is not None:
                    self.accounted.add((report.start, n))
                    assert (report.start, n) in self.stored, "forgotten by the publisher, not stored"

    def restart_publisher(self) -> None:
        self.clock += 1
        if not self.keeps_outbox:
            self.outbox.clear()  # lost with the process: the rules demand another numbering
        self.start, self.next_n = self.clock, 0

    def restart_monitor(self) -> None:
        self.monitor = StreamNumbers.read(self.monitor.text())


STEPS = st.lists(
    st.tuples(st.sampled_from(["produce", "send", "deliver", "repeat", "lose", "receive", "publisher", "monitor"]),
              st.integers(0, 1000)),
    max_size=150,
)  # fmt: skip


@settings(max_examples=400)
@given(STEPS, st.booleans())
def test_a_publisher_by_the_rules_never_forgets_what_is_not_stored_and_nothing_is_stored_twice(steps, keeps_outbox):
    m = Model(keeps_outbox)
    for what, which in steps:
        if what == "produce":
            m.produce()
        elif what == "send":
            m.send(which)
        elif what in ("deliver", "repeat"):
            m.deliver(which, keep=what == "repeat")
        elif what == "lose" and m.wire:
            del m.wire[which % len(m.wire)]
        elif what == "receive":
            m.receive(which)
        elif what == "publisher":
            m.restart_publisher()
        elif what == "monitor":
            m.restart_monitor()
    assert len(m.stored) == len(set(m.stored))
    for _ in range(len(m.outbox)):  # and in the end, with a wire that carries, all of it is accounted for
        m.wire.clear()
        m.send(0)
        m.deliver(0, keep=False)
        m.receive(len(m.reports) - 1)
    assert m.outbox == {}
    assert len(m.stored) == len(set(m.stored))


@given(numbers)
def test_a_numbering_keeps_spans_rising_and_apart(arrivals):
    one = Numbering(start=0)
    for n in arrivals:
        one.add(n)
    for (_, last), (first, _) in zip(one.spans, one.spans[1:], strict=False):
        assert first > last + 1
    assert all(n in one for n in arrivals)


# ---- a publisher that keeps a window, some of whose messages are refused -----------------------------------------


@dataclass
class Windowed:
    """A publisher with `window` messages sent and not settled; a wire that loses and repeats; refusals as data."""

    window: int
    bad: set[int]
    monitor: StreamNumbers = field(default_factory=StreamNumbers)
    next_n: int = 0
    outbox: dict[int, None] = field(default_factory=dict)
    stored: set[int] = field(default_factory=set)
    not_now: set[int] = field(default_factory=set)  # refused for now, until they are mended
    aside: set[int] = field(default_factory=set)  # of the outbox
    given_up: set[int] = field(default_factory=set)  # refused as forgotten, though never stored

    def produce(self) -> int | None:
        if len(self.outbox) - len(self.aside) >= self.window:
            return None
        self.outbox[self.next_n] = None
        self.next_n += 1
        return self.next_n - 1

    def arrive(self, n: int, answered: bool) -> None:
        """What the monitor does with a message, and its publisher with the answer unless that is lost."""
        if n in self.bad:
            self.monitor.refuse(7, n)
            if answered:
                self.outbox.pop(n, None)
            return
        if n in self.not_now:
            self.monitor.defer(7, n)
            if answered and n in self.outbox:
                self.aside.add(n)
            return
        place = self.monitor.add(7, n, 1_000_000 + n)
        if place == "new":
            assert n not in self.stored, "stored twice"
            self.stored.add(n)
        reports = self.monitor.reports({7: [n] if place != "forgotten" else []})
        for report in reports:
            assert of_report(report) <= self.stored, "reported and not stored"
        assert place == "forgotten" or any(report.covers(7, n) for report in reports)
        if answered:
            for kept in list(self.outbox):
                if any(report.covers(7, kept) for report in reports):
                    del self.outbox[kept]
            if place == "forgotten":
                self.given_up |= {n} - self.stored
                self.outbox.pop(n, None)
            self.aside &= set(self.outbox)

    def play(self, steps: list[tuple[str, int]]) -> None:
        """Steps of the wire, and in the end everything is answered."""
        for what, which in steps:
            if what == "restart":
                self.monitor = StreamNumbers.read(self.monitor.text())
                continue
            n = list(self.outbox)[which % len(self.outbox)] if what == "again" and self.outbox else self.produce()
            if n is not None and what != "lost":
                self.arrive(n, answered=what != "unanswered")
        self.settle()

    def arrive_in_order(self, count: int) -> None:
        """So many messages on a wire that carries, without a look at each report."""
        for n in range(count):
            if n in self.not_now:
                self.monitor.defer(7, n)
                self.aside.add(n)
            else:
                assert self.monitor.add(7, n, 1_000_000 + n) == "new"

    def settle(self) -> None:
        """In the end the wire carries and what was in the way is mended: what is left is sent again."""
        self.not_now.clear()
        for n in list(self.outbox):
            self.arrive(n, answered=True)
        assert not self.outbox
        assert self.stored == set(range(self.next_n)) - self.bad - self.given_up


BAD = st.sets(st.integers(0, 119))
STEPS_OF_A_WINDOW = st.lists(
    st.tuples(st.sampled_from(["sent", "lost", "unanswered", "again", "restart"]), st.integers(0, 99)), max_size=200
)


@settings(max_examples=300, deadline=None)
@given(BAD, STEPS_OF_A_WINDOW)
def test_a_publisher_that_keeps_the_window_loses_nothing_whatever_is_lost_or_refused(bad, steps):
    """Memories made small, so that they overflow: window and holes 8, spans of refused numbers 3."""
    p = Windowed(8, bad)
    with mock.patch.multiple(numbering, HOLES_MAX=8, REFUSED_MAX=3, MISSING_MAX=5):
        p.play(steps)
    assert not p.given_up


NOT_NOW = st.integers(0, 2**120 - 1).map(lambda bits: {n for n in range(120) if bits >> n & 1})  # about every second
MANY_STEPS = st.lists(
    st.tuples(st.sampled_from(["sent"] * 4 + ["lost", "unanswered", "again", "restart"]), st.integers(0, 99)),
    min_size=60, max_size=150,
)  # fmt: skip
FEW = st.sets(st.integers(0, 119), max_size=5)


@settings(max_examples=40, deadline=None)
@given(FEW, NOT_NOW, MANY_STEPS)
def test_what_is_refused_for_now_is_stored_when_it_can_be_however_many_holes_came_since(bad, not_now, steps):
    """More holes than the ledger remembers, of messages that their publisher still has."""
    p = Windowed(8, bad, not_now=not_now - bad)
    with mock.patch.multiple(numbering, HOLES_MAX=8, REFUSED_MAX=3, MISSING_MAX=5):
        p.play(steps)
    assert not p.given_up


@settings(max_examples=40, deadline=None)
@given(FEW, NOT_NOW, MANY_STEPS)
def test_what_is_older_than_the_ledger_remembers_is_refused_and_never_called_stored(bad, not_now, steps):
    """Beyond the bound on runs that are refused for now, too; `arrive` looks at each report."""
    p = Windowed(8, bad, not_now=not_now - bad)
    with mock.patch.multiple(numbering, HOLES_MAX=8, REFUSED_MAX=3, MISSING_MAX=5, DEFERRED_MAX=2):
        p.play(steps)
    assert p.given_up <= not_now


def test_what_was_forgotten_stays_so_when_older_refusals_make_room():
    """2 makes room among those refused for now, then 1 among those refused for good: 2 was called stored."""
    one = Numbering(start=0)
    with mock.patch.multiple(numbering, REFUSED_MAX=3, DEFERRED_MAX=2):
        for n in range(13):
            (one.refuse if n in (1, 3, 5, 11) else one.defer if n in (2, 8, 10) else one.add)(n)
    assert one.sure == 3
    report = one.report()
    assert report is not None
    assert report.first > 2


def test_every_second_message_of_11_hours_is_refused_for_now_and_stored_afterwards():
    p = Windowed(2000, set(), not_now=set(range(0, 2 * DEFERRED_MAX, 2)))
    p.arrive_in_order(2 * DEFERRED_MAX)
    assert len(p.aside) == DEFERRED_MAX
    assert len(p.monitor.text()) < 100_000  # bytes of a ledger's row at its worst
    p.monitor = StreamNumbers.read(p.monitor.text())
    p.not_now.clear()
    for n in sorted(p.aside):
        place = p.monitor.add(7, n, 1_000_000 + n)
        assert place == "new"
        if n % 5000 == 0:
            assert any(report.covers(7, n) for report in p.monitor.reports({7: [n]}))
            assert p.monitor.add(7, n, 1_000_000 + n) != "new"


def test_one_more_run_is_refused_for_good_and_told():
    made = StreamNumbers()
    for n in range(1, 2 * DEFERRED_MAX + 4, 2):
        made.defer(7, n - 1)
        made.add(7, n, 1_000_000 + n)
    assert [made.add(7, n, 0) for n in (0, 2, 4)] == ["forgotten", "forgotten", "new"]
    assert not any(report.covers(7, n) for n in (0, 2) for report in made.reports({7: ()}))


def test_a_number_refused_for_now_is_forgotten_once_it_is_refused_for_good():
    made = entered([0, 2])
    made.defer(0, 1)
    made.refuse(0, 1)
    assert made.numberings[0].deferred == []
    assert StreamNumbers.read(made.text()) == made


def test_one_that_never_came_before_takes_no_numbering_from_another():
    made = StreamNumbers()
    for start in range(1, NUMBERINGS_MAX + 1):
        made.add(start, 0, start)
    made.defer(99, 0)
    assert [one.start for one in made.numberings] == list(range(1, NUMBERINGS_MAX + 1))


def test_a_lost_message_comes_20_s_later_in_a_stream_of_which_half_is_refused():
    p = Windowed(2000, set(range(1, 20_000, 2)))
    for _ in range(200):
        n = p.produce()
        if n != 6:
            p.arrive(n, answered=True)
    assert list(p.outbox) == [6]
    for _ in range(200, 20_000):
        p.arrive(p.produce(), answered=True)
    assert len(p.monitor.text()) < 2000
    p.settle()


def test_every_second_message_of_a_whole_window_is_lost_and_comes_again():
    p = Windowed(2000, set())
    for n in range(3999):
        assert p.produce() == n
        if n % 2:
            p.monitor.add(7, n, 1_000_000 + n)
            p.stored.add(n)
            del p.outbox[n]
    assert p.produce() is None  # its window is full
    assert len(p.monitor.text()) < 10_000  # bytes of a ledger's row at its worst
    p.monitor = StreamNumbers.read(p.monitor.text())
    p.settle()


def test_a_message_refused_for_good_is_not_reported_stored_but_is_taken_if_it_can_be_later():
    made = entered([0, 1])
    for n in (2, 4, 5):
        made.refuse(0, n)
    assert made.reports({0: ()}) == [Stored(n=1, first=0)]
    assert made.add(0, 6, 9_000_000) == "new"
    assert made.reports({0: ()}) == [Stored(n=6, first=0, missing=[(2, 5)])]
    assert made.add(0, 4, 1_000_004) == "new"
    assert made.add(0, 3, 1_000_003) == "new"
    assert made.reports({0: ()}) == [Stored(n=6, first=0, missing=[(2, 2), (5, 5)])]
