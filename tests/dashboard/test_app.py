"""The document that holds every page: its language, its caution, and nothing from elsewhere."""

import re
from pathlib import Path

from dashboard.text.caution import CAUTION
from tests.dashboard.page_text import json_of

ASSETS = Path(__file__).parents[2] / "dashboard" / "assets"


def test_the_document_names_its_language_and_its_caution(client, app):
    document = client.get("/").get_data(as_text=True)
    assert '<html lang="en">' in document
    assert CAUTION in json_of(app.layout())


def test_no_asset_comes_from_elsewhere(client):
    document = client.get("/").get_data(as_text=True)
    assert not re.search(r"""(src|href)=["'](https?:)?//""", document)
    for asset in ASSETS.iterdir():
        assert not re.search(r"https?://|@import|url\(", asset.read_text(encoding="utf-8")), asset.name
