"""A page is a folder that registers itself: it is shown, and stands in the navigation, by being there."""

from pathlib import Path

from dashboard import pages
from dashboard.page import GROUPS, Shows
from dashboard.text.addresses import MOVED, moved


def listed() -> list[tuple[str, str, str]]:
    return [entry for group in pages.navigation().values() for entry in group]


def test_every_folder_of_pages_is_one_page():
    folders = {path.parent.name for path in Path(pages.__file__).parent.glob("*/layout.py")}
    assert len(pages.PAGES) == len(folders)
    assert len({page.path for page in pages.PAGES}) == len(pages.PAGES)


def test_pages_of_the_works_stand_in_the_navigation_by_group():
    shown = [page for page in pages.PAGES if page.shows is Shows.WORKS]
    assert tuple(pages.navigation()) == GROUPS
    assert [address for address, _, _ in listed()] == [f"/{page.path}" for page in shown]
    assert [GROUPS.index(page.group) for page in shown] == sorted(GROUPS.index(page.group) for page in shown)
    assert all(page.question for page in shown)


def test_every_page_of_the_works_is_found_at_its_address(context):
    for address, title, question in listed():
        shown = pages.route(context, address)
        assert shown.title == title
        head = str(shown.content[:2])
        assert f"H1('{title}')" in head
        assert question in head
        assert not title.endswith("?")
        assert question.endswith("?")


def test_an_earlier_address_leads_to_the_present_one_with_what_it_asks(client):
    present = {f"/{page.path}" for page in pages.PAGES} | {"/login", "/logout"}
    for earlier, now in MOVED.items():
        assert now in present or client.get(now).status_code == 400, now
        reply = client.get(f"{earlier}/core-1/filling/5?drums=30&what=mark%3A")
        assert (reply.status_code, reply.location) == (308, f"{now}/core-1/filling/5?drums=30&what=mark%3A")
        assert client.get(earlier).location == now
    assert moved("/cutting") is moved("/loads/again") is None


def test_an_address_with_more_or_less_than_its_page_shows_is_unknown(context):
    for address in ("/line", "/drum", "/drum/core-1", "/alarms/core-1", "/line/none", "/drum/none/1"):
        assert pages.route(context, address).title == "Not found"
