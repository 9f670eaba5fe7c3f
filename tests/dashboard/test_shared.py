"""One live answer a second for all viewers, however many ask at once; and it is what each would get alone."""

import gzip
import json
import threading
from collections import Counter
from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import pytest

from dashboard.context import Context
from dashboard.gateway import ActionNumbers
from dashboard.queries import live
from dashboard.shared import NewestAnswers, Shared
from monitor.contract.config.configuration import Configuration
from tests.dashboard.conftest import NOW_S
from tests.dashboard.fake_record import FakeGateway, FakeRecord
from tests.dashboard.replies import reply_of

VIEWERS = 20


class Counted:
    """A record that counts what it is asked, slowly enough that all viewers ask meanwhile."""

    def __init__(self, record: FakeRecord, all_ask: threading.Barrier) -> None:
        self._record, self._all_ask = record, all_ask
        self.asked: Counter[str] = Counter()

    def __getattr__(self, name: str) -> Any:
        def ask(*given: Any) -> Any:
            self.asked[name] += 1
            return getattr(self._record, name)(*given)

        return ask


def ribbon_of(reply: Mapping[str, object]) -> Any:
    """That of core-1, which is not first: another line needs someone more."""
    return next(line["ribbon"] for line in reply_of(reply)["lines"] if line["line"] == "core-1")


def test_g1_twenty_viewers_at_once_are_one_question_to_the_record(
    configuration: Configuration, record: FakeRecord
) -> None:
    barrier = threading.Barrier(VIEWERS)
    counted = Counted(record, barrier)
    now_s = [NOW_S]
    context = Context(
        record=counted,
        configuration=configuration,
        clock=lambda: now_s[0],
        gateway=FakeGateway(),
        numbering=ActionNumbers(lambda: now_s[0]),
    )

    def look(viewer: int) -> dict[str, Any]:
        barrier.wait(30)
        return live.answer(context, live.Question("core-1", None, {"core-1": 10.0 * viewer}))

    with ThreadPoolExecutor(VIEWERS) as pool:
        answers = list(pool.map(look, range(VIEWERS)))
    assert counted.asked["alarms_now"] == counted.asked["lines_now"] == counted.asked["rejected"] == 1
    assert counted.asked["verdicts"] == len(configuration.lines)
    assert counted.asked["samples"] == len(answers[0]["shown"]["streams"])
    assert [ribbon_of(a)["since"] for a in answers] == [10.0 * i for i in range(VIEWERS)]
    now_s[0] += 1.0
    live.answer(context, live.Question())
    assert counted.asked["alarms_now"] == 2


@pytest.mark.parametrize("since_m", [0.0, 312.5, 655.0, 3000.0])
def test_a_viewers_part_of_the_ribbon_is_that_of_the_whole(context: Context, since_m: float) -> None:
    whole = ribbon_of(live.answer(context, live.Question()))["runs"]
    part = ribbon_of(live.answer(context, live.Question(metres={"core-1": since_m})))
    assert part["since"] == since_m
    assert part["runs"] == [[max(a, since_m), b, v] for a, b, v in whole if b > since_m]


def test_a_ribbon_read_on_is_the_one_read_whole(configuration: Configuration, record: FakeRecord) -> None:
    """Each second only the newest metres are read; over a drum change too the runs are those of a fresh start."""
    now_s = [NOW_S]
    record.clock = lambda: now_s[0]

    def fresh() -> Context:
        return Context(
            record=record,
            configuration=configuration,
            clock=lambda: now_s[0],
            gateway=FakeGateway(),
            numbering=ActionNumbers(lambda: now_s[0]),
        )

    going_on = fresh()
    for _ in range(80):
        now_s[0] += 7.0
        replies = [reply_of(live.answer(c, live.Question())) for c in (going_on, fresh())]
        ribbons = [[line["ribbon"] for line in reply["lines"]] for reply in replies]
        assert ribbons[0] == ribbons[1]


def test_an_error_goes_to_all_who_wait_and_is_not_kept() -> None:
    shared, asked = Shared(), []

    def fail() -> int:
        asked.append(1)
        raise ValueError("no")

    for _ in range(2):
        with pytest.raises(ValueError, match="no"):
            shared.get(5000, "a", fail)
    assert len(asked) == 2
    assert shared.get(5000, "a", lambda: 3) == shared.get(5999, "a", lambda: 4) == 3
    assert shared.get(6000, "a", lambda: 4) == 4


def test_the_live_answer_is_compressed_and_sent_once(client) -> None:
    plain = client.get("/api/v1/live?line=core-1")
    packed = client.get("/api/v1/live?line=core-1", headers={"Accept-Encoding": "gzip"})
    assert json.loads(gzip.decompress(packed.data)) == plain.get_json()
    assert len(packed.data) < 0.4 * len(plain.data)
    again = client.get("/api/v1/live?line=core-1", headers={"If-None-Match": plain.headers["ETag"]})
    assert (again.status_code, again.data) == (304, b"")


def test_the_newest_answers_are_kept_and_only_of_the_kind_that_is_asked_for():
    kept = NewestAnswers(2)
    for n in (1, 2, 1, 3):
        kept.put(n, str(n))
    assert [kept.get(n, str) for n in (1, 2, 3)] == ["1", None, "3"]
    assert kept.get(1, int) is None
