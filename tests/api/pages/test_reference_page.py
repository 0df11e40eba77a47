"""The description of the interface: complete, its links whole, nothing fetched from elsewhere."""

import re
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient

from api.http.app import create_app
from api.pages import templates
from api.pages.reference_page import draw_reference
from api.storage.database import Database
from seed_data.catalogue import load_catalogue


class Seen(HTMLParser):
    """Ids, links, tags and words of a page."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.ids: list[str] = []
        self.links: set[str] = set()
        self.tags: set[str] = set()
        self.words: list[str] = []
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        for name, value in attrs:
            if name == "id":
                self.ids.append(value or "")
            if name in ("href", "src"):
                self.links.add(value or "")

    def handle_data(self, data: str) -> None:
        self.words.append(data)


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> TestClient:
    database = Database(f"sqlite:///{tmp_path_factory.mktemp('docs') / 'steamround.sqlite'}")
    return TestClient(create_app(database, load_catalogue(), public_url="https://plan.example.org"))


@pytest.fixture(scope="module")
def page(served: TestClient) -> Seen:
    return Seen(served.get("/v1/docs").text)


def test_every_operation_event_and_schema_is_described(served: TestClient, page: Seen) -> None:
    document: dict[str, Any] = served.get("/v1/openapi.json").json()
    operations = [
        operation["operationId"]
        for methods in (*document["paths"].values(), *document["webhooks"].values())
        for operation in methods.values()
    ]
    schemas = [f"schema-{name}" for name in document["components"]["schemas"]]
    assert len(operations) > 80
    assert {*operations, *schemas} <= set(page.ids)
    assert len(set(page.ids)) == len(page.ids)
    words = " ".join(" ".join(page.words).split())
    for sentence in (
        "What is not yours answers 404",
        "Promise, release, begin or cancel an appointment",
        "A promised time cannot be kept.",
    ):
        assert sentence in words


def test_every_link_leads_to_the_page_itself(page: Seen) -> None:
    inside = {link for link in page.links if link.startswith("#")}
    assert {link[1:] for link in inside} <= set(page.ids)
    (icon,) = {link for link in page.links if link.startswith("data:image/svg+xml;base64,")}
    assert page.links == inside | {icon, "openapi.json"}


def test_nothing_is_fetched_from_elsewhere_and_no_script_runs(served: TestClient) -> None:
    reply = served.get("/v1/docs")
    seen = Seen(reply.text)
    assert seen.tags.isdisjoint({"script", "img", "iframe", "form", "object", "base"})
    (style,) = re.findall("<style>(.*?)</style>", reply.text, re.DOTALL)
    assert "url(" not in style
    assert "@import" not in style
    policy = reply.headers["content-security-policy"]
    assert policy.startswith("default-src 'none'; style-src 'sha256-")
    assert "http" not in policy
    for framework_page in ("/docs", "/redoc", "/v1/redoc", "/v1/docs/oauth2-redirect"):
        assert served.get(framework_page).status_code == 404


def test_text_is_shown_and_never_run() -> None:
    page = draw_reference(
        {
            "info": {"title": "T", "version": "1", "description": "<b>x</b> `<i>` **<u>**"},
            "servers": [{"url": "http://x"}],
            "tags": [],
            "paths": {},
            "components": {
                "schemas": {
                    "S": {"type": "string", "enum": ["<script>"], "description": "* a\n* `b`"}
                }
            },
        }
    )
    assert "&lt;b&gt;x&lt;/b&gt; <code>&lt;i&gt;</code> <b>&lt;u&gt;</b>" in page
    assert "<script>" not in page
    assert "<ul><li>a</li><li><code>b</code></li></ul>" in page


def test_templates_come_with_the_package() -> None:
    folder = Path(str(templates.__file__)).parent
    assert {"reference.html", "reference.css", "worksheet.html", "worksheet.css"} <= {
        each.name for each in folder.iterdir()
    }
