"""A change of limits: two people, a revision that rises, in force from a known metre on, and the way back."""

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule

from monitor.contract.config.limits import LimitsError, differences, limits_of, with_limits
from monitor.contract.messages import LimitsStep
from monitor.contract.record import AlarmChange, DrumSpan, Gap, Output, Proposal, Rejected, Revision
from monitor.core.revisions import NotAllowedError, Revisions
from tests.core.script import T0, Script, configuration, decoded, pipeline
from tests.core.test_pipeline import core_line, of

LINE, RECIPE = configuration().lines["core-1"], configuration().recipes["core-2g5"]
HI = "window/oven-b/temperature/hi"


def step(what: Any, by: str = "Mira", **more: Any) -> LimitsStep:
    return LimitsStep(n=0, t=0, step=what, recipe="core-2g5", by=by, **more)


def proposed(changes: dict[str, float | None] | None = None) -> Revisions:
    book = Revisions(LINE, {"core-2g5": RECIPE})
    book.take(step("propose", proposal="P1", changes=changes or {HI: 316.0}, reason="too tight", base=1), 10.0)
    return book


# ---- which limits there are --------------------------------------------------------------------------------------


def test_every_limit_has_a_key_and_its_value():
    found = limits_of(RECIPE)
    assert found[HI] == 315.0
    assert found["cure/index_min"] == 1.0
    assert "event_check/spark-electrode/spark-fault/guard_m" in found


def test_nothing_but_the_named_limits_changes():
    new = with_limits(RECIPE, {HI: 316.0}, 2)
    assert differences(RECIPE, new) == {HI: (315.0, 316.0)}
    assert new.revision == 2
    assert with_limits(new, {HI: 315.0}, 1) == RECIPE


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"window/oven-b/temperature/deadband": 50.0}, "an alarm would never return"),
        ({"window/oven-b/temperature/lolo": -300.0}, "no temperature is below -273.15"),
        ({"window/oven-b/temperature/deadbnd": 1.0}, "did you mean 'window/oven-b/temperature/deadband'"),
        ({HI: 100.0}, "limits must rise"),
        ({HI: "hot"}, "valid number"),
        ({HI: None, "window/oven-b/temperature/hihi": None, "window/oven-b/temperature/lo": None,
          "window/oven-b/temperature/lolo": None}, "no limit is set"),
        ({"cure/index_warn": 0.5}, "index_warn"),
        ({"window/oven-b/temperature/on_delay_m": 5.0}, "exclude each other"),
    ],
)  # fmt: skip
def test_what_cannot_be_is_refused_with_its_reason(changes, says):
    with pytest.raises(LimitsError, match=says):
        with_limits(RECIPE, changes)


@given(st.dictionaries(st.sampled_from(sorted(limits_of(RECIPE))), st.floats(0, 600), max_size=4))
def test_changed_and_changed_back_is_the_same(changes):
    try:
        new = with_limits(RECIPE, changes)
    except LimitsError:
        return
    old = limits_of(RECIPE)
    assert with_limits(new, {key: old[key] for key in changes}) == RECIPE


# ---- who may do what, when ---------------------------------------------------------------------------------------


def test_a_second_person_s_approval_brings_the_next_revision_into_force():
    proposal, turn = proposed().take(step("approve", "Olle", proposal="P1"), 20.0)
    assert (proposal.state, proposal.revision, proposal.decided_by, proposal.decided_s) == ("approved", 2, "Olle", 20.0)
    assert (turn.recipe.revision, turn.by, turn.approved_by, turn.reason) == (2, "Mira", "Olle", "too tight")
    assert limits_of(turn.recipe)[HI] == 316.0


@pytest.mark.parametrize("name", ["Mira", " mira ", "MIRA"])
def test_nobody_approves_their_own(name):
    with pytest.raises(NotAllowedError, match="second person"):
        proposed().take(step("approve", name, proposal="P1"), 20.0)


@pytest.mark.parametrize(
    ("made", "says"),
    [
        (step("approve", "Olle", proposal="P9"), "no proposal P9"),
        (step("propose", proposal="P2", changes={HI: 316.0}), "reason"),
        (step("propose", proposal="P2", reason="x"), "without changes"),
        (step("propose", proposal="P1", changes={HI: 316.0}, reason="x"), "there already"),
        (step("propose", proposal="P2", changes={HI: 316.0}, reason="x", base=7), "reload and try again"),
        (step("propose", proposal="P2", changes={HI: 1.0}, reason="x"), "not be valid"),
        (step("withdraw", "Olle", proposal="P1"), "refuse it instead"),
        (step("go back", to=7), "no revision 7"),
        (
            LimitsStep(
                n=0, t=0, step="propose", recipe="other", by="Mira", proposal="P2", changes={HI: 1.0}, reason="x"
            ),
            "no recipe",
        ),
    ],
)
def test_a_step_that_is_not_allowed_changes_nothing_and_says_why(made, says):
    book = proposed()
    before = (dict(book.in_force), dict(book.proposals))
    with pytest.raises(NotAllowedError, match=says):
        book.take(made, 20.0)
    assert (book.in_force, book.proposals) == before


def test_a_proposal_for_a_revision_that_has_passed_must_be_made_again():
    book = proposed()
    book.take(step("propose", proposal="P2", changes={HI: 317.0}, reason="x"), 11.0)
    book.take(step("approve", "Olle", proposal="P1"), 20.0)
    with pytest.raises(NotAllowedError, match="propose again"):
        book.take(step("approve", "Olle", proposal="P2"), 21.0)


def test_going_back_is_one_step_and_another_revision():
    book = proposed()
    book.take(step("approve", "Olle", proposal="P1"), 20.0)
    _, turn = book.take(step("go back", "Olle", to=1), 30.0)
    assert turn.recipe.revision == 3
    assert differences(turn.recipe, RECIPE) == {}


def test_neither_open_nor_decided_proposals_grow_without_end():
    book = Revisions(LINE, {"core-2g5": RECIPE})
    for i in range(200):
        book.take(step("propose", proposal=f"P{i}", changes={HI: 316.0}, reason="x"), 0.0)
        book.take(step("refuse", "Olle", proposal=f"P{i}"), 0.0)
    assert len(book.proposals) <= 51
    for i in range(100):
        book.take(step("propose", proposal=f"Q{i}", changes={HI: 316.0}, reason="x"), 0.0)
    with pytest.raises(NotAllowedError, match="100 proposals are open"):
        book.take(step("propose", proposal="Q100", changes={HI: 316.0}, reason="x"), 0.0)


class Works(RuleBasedStateMachine):
    """Whatever people do in whatever order: revisions rise, and only what two people wanted comes into force."""

    def __init__(self) -> None:
        super().__init__()
        self.book = Revisions(LINE, {"core-2g5": RECIPE})
        self.count, self.newest = 0, 1

    @rule(by=st.sampled_from(["Mira", "Olle"]), hi=st.floats(306, 320))
    def propose(self, by: str, hi: float) -> None:
        self.count += 1
        self._try(step("propose", by, proposal=f"P{self.count}", changes={HI: hi}, reason="x"))

    @rule(
        by=st.sampled_from(["Mira", "Olle"]),
        which=st.integers(1, 6),
        what=st.sampled_from(["approve", "refuse", "withdraw"]),
    )
    def decide(self, by: str, which: int, what: str) -> None:
        self._try(step(what, by, proposal=f"P{which}"))

    @rule(to=st.integers(1, 5))
    def back(self, to: int) -> None:
        self._try(step("go back", to=to))

    def _try(self, made: LimitsStep) -> None:
        try:
            _, turn = self.book.take(made, 0.0)
        except NotAllowedError:
            return
        if turn is not None:
            assert turn.recipe.revision == self.newest + 1
            self.newest += 1
            assert turn.by != turn.approved_by

    @invariant()
    def what_is_in_force_is_the_newest_and_approved(self) -> None:
        recipe = self.book.in_force["core-2g5"]
        assert recipe.revision == self.newest
        approved = [p for p in self.book.proposals.values() if p.state == "approved"]
        assert len({p.revision for p in approved}) == len(approved)
        assert all(p.by != p.decided_by for p in approved)


TestWorks = Works.TestCase


# ---- in the engine -----------------------------------------------------------------------------------------------


def changed(seconds: int = 80) -> list[Output]:
    def before(script: Script, s: int) -> None:
        t = T0 + s
        if s == 20:
            script.send("operator/limits", t, step="propose", proposal="P1", recipe="core-2g5", by="Mira", reason="x",
                       changes={HI: 304.0})  # fmt: skip
        if s == 40:
            script.send("operator/limits", t, step="approve", proposal="P1", recipe="core-2g5", by="Olle")

    return pipeline().feed(decoded(core_line(seconds, before=before).sorted()))


def test_it_is_in_force_at_once_from_a_known_metre_on():
    """Oven B runs at 305: under the new 304 the alarm comes 5 s after the approval, by revision 2."""
    out = changed()
    (revision,) = of(Revision, out)
    assert revision.t_s == T0 + 40
    counter_m, take_up_m = pipeline().line.counter_m, pipeline().line.take_up_m
    assert revision.line_metre == pytest.approx(1000 + 40 * 230 / 60 + counter_m - take_up_m, abs=0.1)
    raised = [c for c in of(AlarmChange, out) if c.alarm == "oven-b/temperature/HI" and c.event == "raised"]
    assert [c.revision for c in raised] == [2]
    assert raised[0].t_s == pytest.approx(T0 + 45, abs=1.0)
    assert raised[0].limit == 304.0


def send(script: Script, path: str, t_s: float, **fields: Any) -> bool:
    script.send(path, t_s, **fields)
    return True


def test_a_proposal_alone_changes_no_limit():
    out = pipeline().feed(
        decoded(
            core_line(60, before=lambda script, s: s == 20 and send(script,
                "operator/limits", T0 + s, step="propose", proposal="P1", recipe="core-2g5", by="Mira", reason="x",
                changes={HI: 304.0})).sorted()
        )
    )  # fmt: skip
    assert [p.state for p in of(Proposal, out)] == ["proposed"]
    assert not of(Revision, out)
    assert not [c for c in of(AlarmChange, out) if c.alarm == "oven-b/temperature/HI"]


def test_a_drum_that_begins_later_is_of_the_new_revision():
    def before(script: Script, s: int) -> None:
        t = T0 + s
        if s == 20:
            script.send("operator/limits", t, step="go back", recipe="core-2g5", by="Olle", to=1)
        if s == 30:
            script.send("take-up/drum", t, drum="C1-0002", recipe="core-2g5")

    out = pipeline().feed(decoded(core_line(50, before=before).sorted()))
    assert {d.drum: d.revision for d in of(DrumSpan, out)} == {"C1-0001": 1, "C1-0002": 2}


def test_a_step_that_is_refused_is_counted_with_its_line():
    out = pipeline().feed(
        decoded(core_line(30, before=lambda script, s: s == 9 and send(script,
            "operator/limits", T0 + s, step="approve", proposal="P1", recipe="core-2g5", by="Olle")).sorted())
    )  # fmt: skip
    (refused,) = of(Rejected, out)
    assert refused.topic.split("/")[1] == "core-1"
    assert "Olle: no proposal P1" in refused.why


def test_c20_the_monitor_refuses_a_limit_that_no_instrument_of_the_line_can_measure():
    """Whatever a page let through: nothing else stands between a message and the limits in force."""
    out = pipeline().feed(
        decoded(core_line(30, before=lambda script, s: s == 9 and send(script,
            "operator/limits", T0 + s, step="propose", proposal="P1", recipe="core-2g5", by="Mira", reason="x",
            changes={"window/oven-b/temperature/hihi": 1e9})).sorted())
    )  # fmt: skip
    assert not of(Proposal, out)
    (refused,) = of(Rejected, out)
    assert "hihi: expected 0 to 500 degC, the instrument's measuring range on line core-1, got 1e+09" in refused.why


def test_people_s_numbers_are_the_clock_s_and_leave_no_gap():
    def before(script: Script, s: int) -> None:
        if s in (10, 20):
            script.numbers["operator/action"] = int((T0 + s) * 1e3) - 1
            script.send("operator/action", T0 + s, action="mark metres", by="Mira", start_m=1.0, end_m=2.0)

    assert not of(Gap, pipeline().feed(decoded(core_line(40, before=before).sorted())))
