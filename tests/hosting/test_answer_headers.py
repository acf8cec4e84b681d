"""Every kind of answer of every route carries the headers. What each does: CSP Level 3 and Referrer Policy (W3C),
RFC 7034 (framing), RFC 6797 (HSTS), the Fetch and HTML standards (nosniff, CORP, COOP, sandbox)."""

import re

import pytest
from django.test import Client

from tests.people.test_access_matrix import ROUTES, read_to_its_end
from tests.people.test_pages_by_role import PAGES

FILES = ["vehicle_table", "vehicle_archive", "log_original"]
PICTURES = ["photo_image", "photo_thumbnail"]
DUMMIES = {"uuid": "6f2b0f6e-0c3a-4a76-9d7b-0d4c0c3f5f11", "int": "1", "slug": "nothing", "path": "1", "str": "x"}


def directives(answer):
    policy = answer.headers["Content-Security-Policy"]
    return {part.split()[0]: part.split()[1:] for part in policy.split(";")}


def carries_the_headers(answer, microphone="()"):
    answer_headers = answer.headers
    assert answer_headers["X-Content-Type-Options"] == "nosniff"
    if answer.streaming or answer.content:
        # ASVS 5.0, 4.1.1. JSON is UTF-8 by itself (RFC 8259, 8.1).
        kind, _, charset = answer_headers["Content-Type"].partition("; charset=")
        assert re.fullmatch(r"(text|application|image|audio|video)/[\w.+-]+", kind), kind
        assert not kind.startswith("text/") or charset.lower() == "utf-8", (kind, charset)
    assert answer_headers["X-Frame-Options"] == "DENY"
    assert answer_headers["Referrer-Policy"] in ("same-origin", "no-referrer")
    assert answer_headers["Cross-Origin-Opener-Policy"] == "same-origin"
    assert answer_headers["Cross-Origin-Resource-Policy"] == "same-origin"
    assert "geolocation=(self)" in answer_headers["Permissions-Policy"]
    assert f"microphone={microphone}" in answer_headers["Permissions-Policy"]
    assert "private" in answer_headers["Cache-Control"] or answer_headers["Cache-Control"] in ("no-store", "no-cache")
    assert "Access-Control-Allow-Origin" not in answer_headers
    assert "Strict-Transport-Security" not in answer_headers  # nobody asked for it
    policy = directives(answer)
    assert "unsafe" not in answer_headers["Content-Security-Policy"]
    assert policy["default-src"] == ["'none'"]
    assert policy["frame-ancestors"] == ["'none'"]
    if "sandbox" not in policy:
        assert (policy["script-src"], policy["style-src"]) == (["'self'"], ["'self'"])
        assert (policy["base-uri"], policy["form-action"]) == (["'none'"], ["'self'"])


def path_of(route, request):
    name = ROUTES[route]
    if name not in PAGES:
        path = re.sub(r"<(\w+):\w+>", lambda match: DUMMIES[match.group(1)], route)
        path = path.replace("^(?P<app_label>buildlog|test_sessions)/$", "buildlog/")
        return "/" + path.replace("(?P<url>.*)$", "nowhere")
    pattern = PAGES[name][0]
    fixture = re.search(r"\{(\w+)\}", pattern)
    return pattern.replace(fixture.group(0), str(request.getfixturevalue(fixture.group(1)).pk)) if fixture else pattern


@pytest.mark.parametrize("route", ROUTES)
def test_whatever_a_route_answers(route, request, make_account):
    """Pages, the API, files, redirects and refusals; to the owner and to a stranger; also a form without its token."""
    path = path_of(route, request)
    owner, stranger = Client(enforce_csrf_checks=True), Client()
    owner.force_login(make_account("owner"))
    for client in (owner, stranger):
        for method in ("get", "post", "delete"):
            answer = getattr(client, method)(path)
            # The field page keeps voice notes, after the browser has asked.
            is_field_page = ROUTES[route] == "field" and answer.status_code == 200
            carries_the_headers(answer, "(self)" if is_field_page else "()")
            if answer.streaming:
                read_to_its_end(answer)


def test_answers_that_belong_to_no_route(client, db):
    carries_the_headers(client.get("/nonsense/"))
    unknown = client.get("/", headers={"Host": "elsewhere.example"})
    assert unknown.status_code == 400
    carries_the_headers(unknown)


def test_a_fault_of_the_program(sign_in, monkeypatch):
    from sessions.bench import home_pages

    def fails(request):
        raise RuntimeError("on purpose")

    monkeypatch.setattr(home_pages, "machines_for", fails)
    client = sign_in("reader")
    client.raise_request_exception = False
    answer = client.get("/")
    assert answer.status_code == 500
    carries_the_headers(answer)


@pytest.mark.parametrize("name", [*FILES, *PICTURES])
def test_a_kept_file_can_do_nothing(name, request, sign_in):
    route = next(route for route, result in ROUTES.items() if result == name)
    answer = sign_in("owner").get(path_of(route, request))
    content = b"".join(answer.streaming_content) if answer.streaming else answer.content
    policy = directives(answer)
    assert (policy["default-src"], policy["sandbox"]) == (["'none'"], [])
    assert answer["X-Content-Type-Options"] == "nosniff"
    if name in PICTURES:
        # The bytes are our own encoding, told as what they are (ITU-T T.81, B.2.1: start of image).
        assert (answer["Content-Type"], content[:2]) == ("image/jpeg", b"\xff\xd8")
    else:
        assert answer["Content-Disposition"].startswith("attachment; filename=")
        assert answer["Content-Type"] in ("application/octet-stream", "application/zip", "text/csv; charset=utf-8")


def test_templates_hold_no_script_and_no_style_of_their_own():
    from buildlog.hosting.environment import PROJECT

    for path in (PROJECT / "templates").rglob("*.html"):
        text = path.read_text()
        assert not re.search(r"<style|\sstyle=|\son[a-z]+=|javascript:", text), path
        assert all("src=" in tag or "type=" in tag for tag in re.findall(r"<script[^>]*>", text)), path
