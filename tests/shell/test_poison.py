"""A5: a real database refuses messages of a real gateway: broker, monitor as a process, both databases, the pages.

Good neighbours are stored and reported as stored, the guilty ones are set aside with bytes and reason, published as
refused so that their publisher may forget them, counted and shown.
"""

import json
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import create_engine, select, text

from dashboard.app import create_app
from dashboard.context import Context
from dashboard.gateway import ActionNumbers
from dashboard.pages.health import layout as health
from monitor.contract.config.load import load
from monitor.contract.messages import Refused
from monitor.store.reader import StoreReader
from monitor.store.schema import MESSAGE, SET_ASIDE
from monitor.store.server import server_url
from tests.dashboard.fake_record import FakeGateway
from tests.shell.brokers import Process, broker, monitor, program, publish
from tests.shell.works import SERVER, configs_at, settings_at, until

MARK = "poison"
GUILTY = {
    "take-up/drum": {"drum": f"A {MARK}", "recipe": "core-2g5"},
    "line/state": {"state": "running", "reason": MARK},
}
RULES = {
    "sqlite": f"create trigger no_poison before insert on message when instr(new.payload, cast('{MARK}' as blob)) > 0 "
    "begin select raise(abort, 'no poison here'); end",
    "postgresql": f"alter table message add constraint no_poison check (position('{MARK}'::bytea in payload) = 0)",
}


class Works:
    """Broker, monitor and a listener on what the monitor reports, over a store of either kind."""

    def __init__(self, place: Path) -> None:
        self.configs, self.port, _ = configs_at(place)
        store = place / "run" / "store"
        if (place / SERVER).is_file():
            (store / SERVER).parent.mkdir(parents=True)
            (store / SERVER).write_text((place / SERVER).read_text())
            works = self.configs / "works.toml"
            url = settings_at(store).database_url
            works.write_text(works.read_text().replace("[store]\n", f'[store]\ndatabase_url = "{url}"\n'))
        self.configuration = load(self.configs)
        self.settings = self.configuration.works.store
        url = self.settings.database_url
        self.engine = create_engine(server_url(url) if url else f"sqlite:///{store / 'record.sqlite'}")
        self.broker = broker("mosquitto", place, self.port)
        self.monitor = monitor(self.configs, place)
        topics = ["-t", "tarn/core-1/refused/#", "-t", "tarn/core-1/stored/#"]
        words = [program("mosquitto_sub"), "-h", "127.0.0.1", "-p", str(self.port), "-V", "mqttv5", "-v", *topics]
        self.listener = Process(words, place / "reported.log")

    def reported(self, kind: str) -> dict[tuple[str, int], dict[str, Any]]:
        """What the monitor has published, by stream and number: `stored` or `refused`."""
        found = {}
        for row in self.listener.output.splitlines():
            topic, payload = row.split(" ", 1)
            if topic.split("/")[2] == kind:
                report = json.loads(payload)
                found[topic.split("/", 3)[3], report["n"]] = report
        return found

    def send(self, path: str, n: int, **fields: object) -> None:
        publish(self.port, f"tarn/core-1/{path}", json.dumps({"n": n, "t": round(time.time() * 1e3), **fields}))

    def rows(self, wanted: Any) -> list[Any]:
        with self.engine.connect() as c:
            return list(c.execute(wanted).all())

    def rule(self) -> None:
        with self.engine.begin() as c:
            c.execute(text(RULES[c.dialect.name]))

    def context(self) -> Context:
        return Context(
            record=StoreReader(self.settings),
            configuration=self.configuration,
            clock=time.time,
            gateway=FakeGateway(),
            numbering=ActionNumbers(time.time),
        )


@contextmanager
def running(place: Path) -> Iterator[Works]:
    works = Works(place)
    try:
        for part in (works.broker, works.monitor, works.listener):
            part.start()
        yield works
    finally:
        for part in (works.listener, works.monitor, works.broker):
            part.close()
        works.engine.dispose()


def test_guilty_messages_are_set_aside_reported_and_shown_and_the_others_stored(place):
    with running(place) as works:
        works.rule()
        for n in range(3):
            works.send("oven-a/temperature", n, v=290.0 + n)
        for path, fields in GUILTY.items():
            works.send(path, 0, **fields)
            works.send(path, 1, **{k: v.replace(MARK, "") if isinstance(v, str) else v for k, v in fields.items()})
        for n in range(3, 6):
            works.send("oven-a/temperature", n, v=290.0 + n)
        until(lambda: len(works.reported("refused")) == 2, 20, "refused numbers")
        until(lambda: ("oven-a/temperature", 5) in works.reported("stored"), 20, "the stored number")
        assert_reported(works)
        assert_kept(works)
        record = StoreReader(works.settings)
        until(lambda: any(row.rejected.get("set aside") == 2 for row in record.health()), 20, "Health")
        assert_shown(works)
        assert works.monitor.alive
        assert works.monitor.end() == 0
        works.monitor.start()  # what was set aside is known after a restart, and answered again
        before = works.listener.output
        works.send("line/state", 0, **GUILTY["line/state"] | {"t": works.rows(select(SET_ASIDE))[-1].t_ms})
        until(lambda: "refused/line/state" in works.listener.output[len(before) :], 20, "the second answer")
        assert len(works.rows(select(SET_ASIDE))) == 2


def assert_reported(works: Works) -> None:
    refused = works.reported("refused")
    assert set(refused) == {(path, 0) for path in GUILTY}
    for report in refused.values():
        assert set(report) <= set(Refused.__struct_fields__)
        assert report["why"].startswith("the message cannot be stored and is set aside: ")
        assert "no" in report["why"]
    until(lambda: {(path, 1) for path in GUILTY} <= set(works.reported("stored")), 20, "their neighbours")
    for path in GUILTY:
        report = works.reported("stored")[path, 1]
        assert report["from"] == 1 or [0, 0] in report["missing"], "a number that was set aside is not stored"


def assert_kept(works: Works) -> None:
    kept = {(f"{r.station}/{r.quantity}", r.n): r for r in works.rows(select(SET_ASIDE))}
    assert set(kept) == {(path, 0) for path in GUILTY}
    for (path, _), row in kept.items():
        report = json.loads(row.payload)
        assert {name: report[name] for name in GUILTY[path]} == GUILTY[path]
        assert row.reason
    m = MESSAGE.c
    stored = works.rows(select(m.station, m.quantity, m.n).where(m.station != "monitor").order_by(m.station, m.n))
    expected = [*((*path.split("/"), 1) for path in GUILTY), *(("oven-a", "temperature", n) for n in range(6))]
    assert sorted(map(tuple, stored)) == sorted(expected)


def assert_shown(works: Works) -> None:
    context = works.context()
    assert "the message cannot be stored and is set aside" in str(health.content(context))
    client = create_app(context.record, context.configuration, context.gateway, time.time).server.test_client()
    [report] = client.get("/api/v1/health").get_json()["monitors"]
    assert report["rejected"] == {"set aside": 2}
    assert report["troubles"] == []
    metrics = client.get("/api/v1/metrics").get_data(as_text=True)
    assert 'everymetre_rejected_messages_total{kind="set aside",line="core-1"} 2.0' in metrics.splitlines()
