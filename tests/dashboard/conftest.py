"""What the dashboard's tests share: the demo configuration, a clock that stands, a record in memory."""

from collections.abc import Callable
from pathlib import Path

import pytest
from dash import Dash
from flask.testing import FlaskClient

from dashboard.app import create_app
from dashboard.context import Context
from dashboard.gateway import ActionNumbers
from dashboard.web.accounts import Accounts
from monitor.contract.config.configuration import Configuration
from monitor.contract.reading import DrumRow
from tests.core import script
from tests.dashboard.fake_record import START_S, FakeGateway, FakeRecord, core_lines_of

NOW_S = START_S + 3050.0
PASSWORD = "a long password"


@pytest.fixture(scope="session")
def configuration() -> Configuration:
    return core_lines_of(script.configuration())


@pytest.fixture
def clock() -> Callable[[], float]:
    return lambda: NOW_S


@pytest.fixture
def record(configuration: Configuration, clock: Callable[[], float]) -> FakeRecord:
    return FakeRecord(configuration, clock)


@pytest.fixture
def drum(record: FakeRecord) -> DrumRow:
    """A finished drum."""
    return next(d for d in record.drums("core-1") if d.end_m)


@pytest.fixture
def gateway() -> FakeGateway:
    return FakeGateway()


@pytest.fixture
def context(
    record: FakeRecord, configuration: Configuration, gateway: FakeGateway, clock: Callable[[], float]
) -> Context:
    return Context(
        record=record, configuration=configuration, clock=clock, gateway=gateway, numbering=ActionNumbers(clock)
    )


@pytest.fixture
def app(context: Context) -> Dash:
    return create_app(context.record, context.configuration, context.gateway, context.clock)


@pytest.fixture
def client(app: Dash) -> FlaskClient:
    return app.server.test_client()


@pytest.fixture
def accounts(tmp_path: Path) -> Accounts:
    made = Accounts(tmp_path / "accounts.json")
    made.put("Mira", "answer alarms", PASSWORD)
    made.put("Olle", "look", PASSWORD)
    return made
