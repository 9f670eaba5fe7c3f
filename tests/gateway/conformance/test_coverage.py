"""What a trial cannot see: each reason belongs to a rule that exists, and none hides a rule that was tried."""

import pytest

from monitor.contract import rules
from monitor.gateway.conformance.coverage import BY_OWN_BROKER, BY_SITE_BROKER, NotTried

KINDS = {"own broker": BY_OWN_BROKER, "site's broker": BY_SITE_BROKER}


@pytest.mark.parametrize("kind", KINDS)
def test_reasons_are_of_rules_that_exist(kind):
    assert set(KINDS[kind].never) | set(KINDS[kind].partly) <= set(rules.titles())
    assert not set(KINDS[kind].never) & set(KINDS[kind].partly)


def test_a_rule_is_reported_as_it_was_met():
    kind = NotTried(never={"R1": "it cannot be seen"}, partly={"R2": "half of it"})
    assert kind.reasons("R1", True) == ["it cannot be seen"]
    assert kind.reasons("R2", True) == ["half of it"]
    assert kind.reasons("R2", False) == ["nothing came that shows whether it is kept", "half of it"]
    assert kind.reasons("R3", True) == []
    assert kind.reasons("R3", False) == ["nothing came that shows whether it is kept"]
