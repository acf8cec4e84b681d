"""The help texts: each is shown, leads where it says, and says which version it is of."""

import re

import pytest
from django.apps import apps
from django.contrib.auth import get_user
from django.db import connection
from django.test.utils import CaptureQueriesContext

from buildlog.hosting.help_pages import SLUGS, help_page_of
from buildlog.hosting.version import VERSION
from buildlog.quantities.declared import glossary
from tests.data_folders import PROJECT
from tests.documents import HELP, help_text


def test_every_text_is_a_page():
    assert sorted(path.stem for path in HELP.glob("*.md")) == sorted(SLUGS)


@pytest.mark.parametrize("slug", SLUGS)
def test_a_page_shows_its_whole_text_to_every_account(sign_in, slug):
    answer = sign_in("reader").get(f"/help/{slug}/")
    page = answer.content.decode()
    title = help_text(slug).splitlines()[0].removeprefix("# ")
    assert answer.status_code == 200
    assert re.search(rf'<h1 id="[a-z-]+">{title}</h1>', page)
    assert page.count("<pre") == len(re.findall(r"^```\w", help_text(slug), re.M))
    assert page.count("<table") == len(re.findall(r"^\|[-|]+\|$", help_text(slug), re.M)) + (slug == "quantities")
    # The marks that tests go by, and markup that nobody meant.
    assert "&lt;!--" not in page
    assert "<!--" not in page
    assert f"Firnlog <span data-as-written>{VERSION}</span>." in page


def test_the_table_of_stored_quantities_follows_from_their_declarations(sign_in):
    page = sign_in("reader").get("/help/quantities/").content.decode()
    cells = ["<code>Session.ice_thickness_cm</code>", "thickness", "cm", "ice thickness, measured"]
    assert "\n".join(f"<td>{cell}</td>" for cell in cells) in page
    assert page.count("<tr>") == 1 + len(glossary([*apps.get_models()]))


def test_the_list_leads_to_every_page_and_says_what_it_is_about(sign_in):
    client = sign_in("reader")
    assert 'href="/help/"' in client.get("/settings/").content.decode()
    page = client.get("/help/").content.decode()
    for slug in SLUGS:
        assert f'href="/help/{slug}/"' in page
        assert len(help_page_of(slug).summary) > 30, slug
        assert not re.search(r"[*`\[\]]", help_page_of(slug).summary), slug


@pytest.mark.parametrize("slug", ["nothing", "BACKUP", "changes.md", "..", "%2e%2e%2fsettings"])
def test_a_page_that_is_not_there_is_not_found(sign_in, slug):
    assert sign_in("owner").get(f"/help/{slug}/").status_code == 404


@pytest.mark.parametrize("path", ["/help/", "/help/security/"])
def test_a_help_page_reads_no_table_beyond_what_every_page_reads(sign_in, path):
    client, counts = sign_in("reader"), {}
    for asked in ("/settings/", path):
        client.force_login(get_user(client))
        with CaptureQueriesContext(connection) as captured:
            client.get(asked)
        counts[asked] = len(captured)
    assert counts[path] <= counts["/settings/"]


def test_links_between_pages_lead_to_a_heading_that_is_there():
    seen = 0
    for slug in SLUGS:
        for target in re.findall(r'href="([^"]+)"', help_page_of(slug).html):
            other, _, heading = target.partition("#")
            assert re.fullmatch(r"\.\./[a-z-]+/", other), (slug, target)
            page = help_page_of(other.strip("./"))
            assert not heading or f'id="{heading}"' in page.html, (slug, target)
            seen += 1
    assert seen > 5


@pytest.mark.parametrize(("document", "most_bytes"), [("README.md", 6_000), ("DEVELOPERS.md", 12_000)])
def test_the_documents_are_short_and_lead_to_files_that_are_there(document, most_bytes):
    text = (PROJECT / document).read_text()
    assert len(text.encode()) < most_bytes
    targets = re.findall(r"\]\(([^)#]+)\)", text)
    assert len(targets) > 5
    for target in targets:
        assert (PROJECT / target).is_file(), target
    if document == "README.md":
        assert {f"buildlog/hosting/help/{slug}.md" for slug in SLUGS} <= set(targets)


def test_changes_are_kept_by_version():
    versions = re.findall(r"^## (.+)$", help_text("changes"), re.M)
    released = [name for name in versions if name != "Next version"]
    assert "Next version" not in versions[1:]
    assert released[0] == VERSION
    numbers = [tuple(map(int, name.split("."))) for name in released]
    assert numbers == sorted(numbers, reverse=True)
