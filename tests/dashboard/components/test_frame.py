"""The frame of every page: the way to each page, the caution, and who is signed in."""

import base64
import hashlib

from dashboard.components.frame import INDEX, OWN_SCRIPTS, frame
from dashboard.text.caution import CAUTION
from dashboard.web.accounts import Person
from tests.dashboard.page_text import json_of

NAVIGATION = {"Now": [("/", "Lines", "which line needs attention"), ("/alarms", "Alarms", "which are active")]}


def test_every_page_is_one_link_with_its_title_and_question_in_its_group():
    shown = json_of(frame("Tarn", "Europe/Stockholm", navigation=NAVIGATION))
    for text in ("/alarms", "Alarms", "which are active", "which line needs attention"):
        assert shown.count(f'"{text}"') == 1, text
    assert '"role": "group"' in shown
    assert shown.count('"aria-label": "Now"') == 1


def test_the_caution_the_plant_and_its_time_zone_are_on_every_page():
    shown = json_of(frame("Tarn", "Europe/Stockholm"))
    assert CAUTION in shown
    assert '"data-time-zone": "Europe/Stockholm"' in shown
    assert '"href": "#content"' in shown  # past the navigation, for a keyboard
    assert '"id": "content"' in shown


def test_who_is_signed_in_can_sign_out_with_the_token_of_their_session():
    shown = json_of(frame("Tarn", "UTC", Person("Mira", "answer alarms"), form_token="abc"))
    assert "Mira, role: answer alarms" in shown
    assert '"action": "/logout"' in shown
    assert '"method": "POST"' in shown
    assert '"value": "abc"' in shown
    assert "Sign out" not in json_of(frame("Tarn", "UTC"))


def test_the_only_script_in_the_document_is_the_one_that_the_policy_allows():
    """A script that is changed without its hash would not run: the page would flash in the wrong theme."""
    scripts = [part.split("</script>")[0] for part in INDEX.split("<script>")[1:]]
    hashes = [base64.b64encode(hashlib.sha256(s.encode()).digest()).decode() for s in scripts]
    assert [f"'sha256-{h}'" for h in hashes] == OWN_SCRIPTS
