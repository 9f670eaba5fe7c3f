"""Snapshots: an engine that goes on from one is the one that was never stopped, and damage never goes unnoticed."""

import gzip
from functools import cache
from typing import Any

import msgspec
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.contract.config.line import Line
from monitor.contract.config.recipe import Recipe
from monitor.core import snapshot
from monitor.core.fillings import Fillings
from monitor.core.pipeline import Pipeline
from monitor.core.snapshot import (
    DamagedSnapshotError,
    Given,
    OtherConfigurationError,
    SnapshotError,
    UnknownVersionError,
    describe,
    dump,
    every,
    load,
)
from tests.core import snapshots
from tests.core.script import pipeline, through_snapshot
from tests.core.test_pipeline import record, unkind_script
from tests.core.test_whole_cable import scripts


@cache
def messages_of(line: str) -> tuple:
    return unkind_script() if line == "core-1" else tuple(scripts()[line])


def engine_at(line: str, share: float) -> tuple[Pipeline, tuple]:
    """An engine that was fed a share of its script, and the rest of the script."""
    messages = messages_of(line)
    engine, at = pipeline(line), round(share * len(messages))
    engine.feed(messages[:at])
    return engine, messages[at:]


def given_of(engine: Pipeline) -> Given:
    return Given(line=engine.line, recipes=engine.revisions.earlier, fillings=engine.drums.fillings)


@cache
def state() -> tuple[bytes, Given]:
    engine, _ = engine_at("core-1", 0.7)
    return dump(engine), given_of(engine)


LINES = st.sampled_from(["core-1", *sorted(scripts())])


@settings(max_examples=15, deadline=None)
@given(LINES, st.floats(0, 1))
def test_an_engine_from_a_snapshot_goes_on_to_the_bit(line, share):
    engine, rest = engine_at(line, share)
    written = dump(engine)
    other = load(written, given_of(engine))
    assert dump(other) == written
    got, want = record(other.feed(rest)), record(engine.feed(rest))
    assert got[0] == want[0]
    assert all(np.array_equal(got[1][name], column, equal_nan=True) for name, column in want[1].items())
    assert dump(other) == dump(engine)
    assert repr(other.now()) == repr(engine.now())


def test_what_the_cable_line_inherits_from_its_configuration_is_the_callers_own():
    engine, _ = engine_at("core-1", 0.7)
    other = through_snapshot(engine)
    flow = other.flows["oven-b/temperature"]
    assert flow.line is other.line is engine.line
    assert flow.where == engine.flows["oven-b/temperature"].where
    assert other.recipes is other.revisions.in_force
    assert other.recipe is other.recipes[other.recipe.recipe]
    assert b"Silicone" not in dump(engine)


@settings(max_examples=400, deadline=None)
@given(st.data())
def test_one_flipped_bit_anywhere_is_noticed(data):
    """A9: of 400 flips in a pickled checkpoint 326 were taken."""
    written, known = state()
    bit = data.draw(st.integers(0, 8 * len(written) - 1))
    damaged = bytearray(written)
    damaged[bit // 8] ^= 1 << bit % 8
    with pytest.raises(DamagedSnapshotError):
        load(bytes(damaged), known)


@pytest.mark.parametrize("cut", [0, 1, 4, 35, 36, 37, 1000, -1])
def test_bytes_that_end_too_early_are_noticed(cut):
    written, known = state()
    with pytest.raises(DamagedSnapshotError):
        load(written[:cut], known)


@settings(max_examples=200, deadline=None)
@given(st.binary(max_size=200))
def test_no_bytes_at_all_do_more_than_raise(noise):
    with pytest.raises(SnapshotError):
        load(noise, state()[1])


def sealed(version: int, tree: object) -> bytes:
    """Bytes with a good digest, of a state that may be anything."""
    configuration = snapshot._opened(state()[0])[1]
    return snapshot._sealed(version, configuration, tree)


@pytest.mark.parametrize(
    "tree",
    [None, [], {}, {"": "no such"}, ["list"], {"": "pipeline"}, ["array", "|O", [1], b"x"], ["array", "<f8", [9], b""],
     ["enum", "mode", "no such"], ["given", "recipe", "none", 1], ["set", ["list"]]],
)  # fmt: skip
@pytest.mark.parametrize("version", [1, snapshot.VERSION])
def test_a_state_that_does_not_fit_the_layout_is_refused(tree, version):
    with pytest.raises(SnapshotError):
        load(sealed(version, tree), state()[1])


def test_a_newer_version_is_named():
    with pytest.raises(UnknownVersionError, match=f"version {snapshot.VERSION + 1} of a newer program"):
        load(sealed(snapshot.VERSION + 1, None), state()[1])


def test_other_configuration_is_named():
    written, known = state()
    moved = known.line.model_copy(update={"settle_s": 6.0})
    with pytest.raises(OtherConfigurationError, match="line core-1 as it was described before"):
        load(written, Given(line=moved, recipes=known.recipes, fillings=known.fillings))
    none_of = {key: recipe for key, recipe in known.recipes.items() if key != ("core-2g5", 2)}
    with pytest.raises(OtherConfigurationError, match="core-2g5 revision 2"):
        load(written, Given(line=known.line, recipes=none_of, fillings=known.fillings))


def test_a_type_that_is_not_listed_is_an_error_when_it_is_written():
    engine, _ = engine_at("core-1", 0.3)
    engine.drums.on = object()  # type: ignore[assignment]
    with pytest.raises(TypeError, match="no listed type of state"):
        dump(engine)


VALUES = st.recursive(
    st.none() | st.booleans() | st.integers(-(2**63), 2**63 - 1) | st.floats() | st.text() | st.binary(),
    lambda inner: (
        st.lists(inner)
        | st.lists(inner).map(tuple)
        | st.dictionaries(st.tuples(st.text(), st.integers(-9, 9)), inner)
        | st.sets(st.text())
        | st.lists(st.floats(), max_size=12).map(np.array)
        | st.lists(st.booleans(), min_size=6, max_size=6).map(lambda b: np.array(b).reshape(2, 3))
    ),
    max_leaves=12,
)


def same(a: Any, b: Any) -> bool:
    if type(a) is not type(b):
        return False
    if isinstance(a, np.ndarray):
        return (a.dtype, a.shape, a.tobytes()) == (b.dtype, b.shape, b.tobytes())
    if isinstance(a, list | tuple):
        return len(a) == len(b) and all(map(same, a, b))
    if isinstance(a, dict):
        return same(list(a.items()), list(b.items()))
    return a == b or (a != a and b != b)


@given(VALUES)
def test_values_of_every_kind_come_back_as_they_were(value):
    known = state()[1]
    written = msgspec.msgpack.encode(snapshot._plain(value, known))
    assert same(snapshot._revived(msgspec.msgpack.decode(written), known), value)


def test_arrays_that_come_back_may_be_written_to():
    engine = through_snapshot(engine_at("core-1", 0.7)[0])
    arrays = [
        engine.track.t_s,
        engine.curing.lengths[0].elements.T_C,
        engine.flows["cold-gauge/diameter-x"].cells.count,
    ]
    assert all(a.flags.writeable and a.flags.c_contiguous for a in arrays)


# ---- versions ----------------------------------------------------------------------------------------------------


def test_the_layout_is_the_one_described_for_its_version():
    """A change of the layout raises VERSION, adds an upgrade, and is described anew: see tests/core/snapshots.py."""
    kept = snapshots.description(snapshot.VERSION)
    assert kept.is_file(), f"describe version {snapshot.VERSION}: .venv/bin/python -m tests.core.snapshots"
    assert describe() == kept.read_text(), "the layout has changed: raise VERSION and add a function to UPGRADES"


def test_every_older_version_can_be_upgraded():
    assert sorted(snapshot.UPGRADES) == list(range(1, snapshot.VERSION))


@pytest.mark.parametrize("kept", snapshots.kept(), ids=lambda kept: kept.name)
def test_a_snapshot_of_every_version_so_far_is_read_and_goes_on(kept):
    line = Line.model_validate_json((kept / "line.json").read_text())
    recipes = msgspec.json.decode((kept / "recipes.json").read_bytes())
    known = {(r["recipe"], r["revision"]): Recipe.model_validate(r) for r in recipes}
    engine = load(
        gzip.decompress((kept / "state.gz").read_bytes()), Given(line=line, recipes=known, fillings=Fillings())
    )
    facts = msgspec.json.decode((kept / "facts.json").read_bytes())
    assert snapshots.facts(engine) == facts
    before = engine.rows.next_m
    engine.feed([m for m in unkind_script() if getattr(m, "t_s", 0) > facts["newest_s"]])
    assert engine.rows.next_m > before


def test_an_upgrade_changes_every_object_of_a_type():
    written, known = state()
    _, _, tree = snapshot._opened(written)
    for drum in every(tree, "drum span"):
        drum["name"] = drum.pop("drum")
    older = sealed(0, tree)

    def rename(tree: dict) -> None:
        for drum in every(tree, "drum span"):
            drum["drum"] = drum.pop("name")

    upgrades = {0: rename} | dict.fromkeys(range(1, snapshot.VERSION), lambda tree: None)
    assert dump(load(older, known, upgrades)) == written
    with pytest.raises(UnknownVersionError, match="no upgrade from version 0"):
        load(older, known)
