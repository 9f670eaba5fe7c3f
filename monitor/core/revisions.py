"""Limits that change while the line runs: one proposes, another approves, and a revision comes into force."""

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field, replace

from monitor.contract.config.limits import LimitsError, beyond_instruments, differences, same_person, with_limits
from monitor.contract.config.line import Line
from monitor.contract.config.recipe import Recipe
from monitor.contract.messages import LimitsStep
from monitor.contract.record import Proposal, Revision

# (state, step) -> state of a proposal. What is not listed is refused.
TABLE: dict[tuple[str, str], str] = {
    ("proposed", "approve"): "approved",
    ("proposed", "refuse"): "refused",
    ("proposed", "withdraw"): "withdrawn",
}


class NotAllowedError(Exception):
    """A step that is not taken; the text says why and what to do instead."""


DECIDED_KEPT = 50
OPEN_MOST = 100


@dataclass(frozen=True, slots=True, kw_only=True)
class Turn:
    """A recipe that comes into force, and why."""

    recipe: Recipe
    by: str
    approved_by: str
    reason: str
    changes: Mapping[str, float | None]

    @classmethod
    def from_file(cls, before: Recipe, after: Recipe, by: str) -> "Turn":
        """A file has a greater revision."""
        return cls(
            recipe=after,
            by=by,
            approved_by="",
            reason="",
            changes={key: value for key, (_, value) in differences(before, after).items()},
        )

    def on_record(self, line: str, t_s: float, line_metre: float) -> Revision:
        """As the record has it: in force from a metre on."""
        return Revision(
            line=line, recipe=self.recipe.recipe, revision=self.recipe.revision, t_s=t_s, line_metre=line_metre,
            by=self.by, approved_by=self.approved_by, reason=self.reason, changes=self.changes,
            text=self.recipe.model_dump_json(),
        )  # fmt: skip


@dataclass(slots=True)
class Revisions:
    """Recipes in force on one line by name, those that were, and what is proposed. Pure."""

    line: Line
    in_force: dict[str, Recipe]
    earlier: dict[tuple[str, int], Recipe] = field(default_factory=dict)
    proposals: dict[str, Proposal] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.earlier = {**self.earlier, **{(r.recipe, r.revision): r for r in self.in_force.values()}}

    def take(self, step: LimitsStep, t_s: float) -> tuple[Proposal | None, Turn | None]:
        """One step: the proposal after it, and the recipe that comes into force by it.

        Raises NotAllowedError, and nothing has changed.
        """
        if step.step == "propose":
            self._within_instruments(step)
            return self._propose(step, t_s), None
        if step.step == "go back":
            return None, self._go_back(step)
        return self._decide(step, t_s)

    def enforce(self, recipe: Recipe) -> None:
        """A recipe comes into force."""
        self.in_force[recipe.recipe] = recipe
        self.earlier[recipe.recipe, recipe.revision] = recipe

    def take_files(self, files: Mapping[str, Recipe], used: Collection[str | None]) -> None:
        """Recipes of greater revisions than those in force come into force; one without a file stays while `used`."""
        for name, recipe in files.items():
            old = self.in_force.get(name)
            if old is None or recipe.revision > old.revision:
                self.enforce(recipe)
        for name in [n for n in self.in_force if n not in files and n not in used]:
            del self.in_force[name]

    def _propose(self, step: LimitsStep, t_s: float) -> Proposal:
        recipe = self._current(step)
        if not step.changes:
            raise NotAllowedError("a proposal without changes")
        if not step.reason.strip():
            raise NotAllowedError("a proposal without a reason: state why the limits should change")
        if sum(p.state == "proposed" for p in self.proposals.values()) >= OPEN_MOST:
            raise NotAllowedError(f"{OPEN_MOST} proposals are open: decide some of them first")
        if step.proposal in self.proposals:
            raise NotAllowedError(f"proposal {step.proposal} is there already")
        proposal = Proposal(
            line=self.line.line, proposal=step.proposal, recipe=step.recipe, base=recipe.revision, state="proposed",
            changes=dict(step.changes), by=step.by, reason=step.reason, t_s=t_s, rehearsal=step.rehearsal,
        )  # fmt: skip
        self.proposals[step.proposal] = proposal
        self._forget()
        return proposal

    def _within_instruments(self, step: LimitsStep) -> None:
        """NotAllowedError for a limit that cannot be, or that no instrument of this line can measure."""
        recipe, changes = self.in_force.get(step.recipe), step.changes or {}
        if recipe is None:
            return
        try:
            beyond = beyond_instruments(with_limits(recipe, changes), self.line)
        except LimitsError as error:
            raise NotAllowedError(str(error)) from error
        wrong = [f"{key}: {problem}" for key, problem in beyond.items() if key in changes]
        if wrong:
            raise NotAllowedError("; ".join(wrong))

    def _forget(self) -> None:
        """Of those decided only the newest stay here; all are in the record."""
        decided = [name for name, p in self.proposals.items() if p.state != "proposed"]
        for name in decided[:-DECIDED_KEPT]:
            del self.proposals[name]

    def _decide(self, step: LimitsStep, t_s: float) -> tuple[Proposal, Turn | None]:
        proposal = self.proposals.get(step.proposal)
        if proposal is None:
            raise NotAllowedError(f"no proposal {step.proposal}")
        state = TABLE.get((proposal.state, step.step))
        if state is None:
            raise NotAllowedError(f"proposal {step.proposal} is {proposal.state}: it cannot be decided again")
        own = same_person(step.by, proposal.by)
        if step.step == "approve" and own:
            raise NotAllowedError(f"{step.by} proposed {step.proposal}: a second person must approve it")
        if step.step == "withdraw" and not own:
            raise NotAllowedError(f"{step.by} did not propose {step.proposal}: refuse it instead")
        turn = self._approved(proposal, step) if state == "approved" else None
        decided = replace(
            proposal, state=state, decided_by=step.by, decided_reason=step.reason, decided_s=t_s,
            revision=turn.recipe.revision if turn else None,
        )  # fmt: skip
        self.proposals[step.proposal] = decided
        return decided, turn

    def _approved(self, proposal: Proposal, step: LimitsStep) -> Turn:
        recipe = self.in_force[proposal.recipe]
        if recipe.revision != proposal.base:
            raise NotAllowedError(
                f"recipe {proposal.recipe} has become revision {recipe.revision} since it was proposed for "
                f"{proposal.base}: rehearse and propose again"
            )
        new = with_limits(recipe, proposal.changes, self._next(proposal.recipe))
        self.enforce(new)
        return Turn(recipe=new, by=proposal.by, approved_by=step.by, reason=proposal.reason, changes=proposal.changes)

    def _go_back(self, step: LimitsStep) -> Turn:
        self._current(step)
        old = self.earlier.get((step.recipe, step.to or 0))
        if old is None:
            raise NotAllowedError(f"no revision {step.to} of recipe {step.recipe} is known here")
        new = old.model_copy(update={"revision": self._next(step.recipe)})
        self.enforce(new)
        return Turn(
            recipe=new,
            by=step.by,
            approved_by="",
            reason=f"back to revision {step.to}" + (f": {step.reason}" if step.reason else ""),
            changes={},
        )

    def _current(self, step: LimitsStep) -> Recipe:
        recipe = self.in_force.get(step.recipe)
        if recipe is None:
            raise NotAllowedError(f"no recipe {step.recipe!r} on line {self.line.line}")
        if step.base is not None and step.base != recipe.revision:
            raise NotAllowedError(
                f"recipe {step.recipe} is at revision {recipe.revision}, the request refers to {step.base}: "
                "reload and try again"
            )
        return recipe

    def _next(self, name: str) -> int:
        return max(revision for of, revision in self.earlier if of == name) + 1
