"""The file of orders: lengths and worths that can be, and usual values where nothing is given."""

from datetime import date

import pytest

from monitor.contract.config.orders import Orders, WantedLength


@pytest.mark.parametrize(
    "more", [{"length_m": 0.0}, {"worth": -1.0}, {"wanted": 0}, {"order": ""}, {"order": "x" * 61}, {"product": "A b"}]
)
def test_what_cannot_be_ordered_is_refused(more):
    with pytest.raises(ValueError, match="validation error"):
        WantedLength.model_validate({"product": "cable", "length_m": 100.0, "worth": 1.0, **more})


def test_an_order_has_its_number_and_date_and_a_stock_length_needs_none():
    order = WantedLength.model_validate(
        {"product": "cable", "length_m": 100.0, "worth": 90.0, "order": "A-17", "wanted": 3, "due": "2026-12-01"}
    )
    assert (order.order, order.wanted, order.due) == ("A-17", 3, date(2026, 12, 1))
    assert WantedLength(product="cable", length_m=50.0, worth=1.0).order == "stock"


def test_without_a_file_there_are_guards_and_cuts_but_no_lengths():
    assert Orders().length == []
    assert Orders().guard_m > 0
    with pytest.raises(ValueError, match="greater than or equal to 0"):
        Orders(guard_m=-1.0)
