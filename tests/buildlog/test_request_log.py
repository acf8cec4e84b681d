"""What is written down of each request, and that no key is."""

import json
import logging
import re
import sys

import pytest

from buildlog.models import DeviceToken, Invitation
from buildlog.password_links import link_for
from buildlog.request_log import JsonLines, PlainLines, masked


@pytest.fixture
def lines():
    """What the loggers of the site write, as the lines of the form "json"."""
    held = []

    class Keep(logging.Handler):
        def emit(self, record):
            held.append(json.loads(self.format(record)))

    handler = Keep()
    handler.setFormatter(JsonLines())
    loggers = [logging.getLogger(name) for name in ("buildlog", "django")]
    levels = [one.level for one in loggers]
    for one in loggers:
        one.addHandler(handler)
        one.setLevel(logging.INFO)
    yield held
    for one, level in zip(loggers, levels, strict=True):
        one.removeHandler(handler)
        one.setLevel(level)


def test_each_request_is_one_line(sign_in, lines):
    owner = sign_in("owner")
    answer = owner.get("/parts/", headers={"X-Request-ID": "from-the-proxy-17"})
    (line,) = lines
    assert answer["X-Request-ID"] == line["request"] == "from-the-proxy-17"
    assert (line["method"], line["path"], line["status"]) == ("GET", "/parts/", 200)
    assert line["account"] == int(owner.session["_auth_user_id"])
    assert line["duration_ms"] > 0
    assert line["from"] == "buildlog.requests"


def test_what_somebody_may_not_do_is_a_line_too(sign_in, lines):
    builder = sign_in("builder")
    assert builder.get("/people/").status_code == 403
    (line,) = [line for line in lines if line["from"] == "buildlog.requests"]
    assert (line["path"], line["status"]) == ("/people/", 403)
    assert line["account"] == int(builder.session["_auth_user_id"])


def test_an_address_cannot_begin_a_line_of_its_own(client, db, lines):
    client.get("/nothing%0A%7B%22level%22:%22forged%22%7D")
    assert {line["level"] for line in lines} <= {"info", "warning"}
    assert lines[-1]["path"] == '/nothing\n{"level":"forged"}'


@pytest.mark.parametrize("given", ["", "short", "with space", "x" * 65, "a\nb" * 9, "<script>12345678"])
def test_a_name_of_anybody_s_choosing_is_not_taken_over(given, client, db, lines):
    answer = client.get("/sign-in/", headers={"X-Request-ID": given})
    assert answer["X-Request-ID"] == lines[-1]["request"] != given
    assert len(answer["X-Request-ID"]) == 32


def test_a_page_that_breaks_leaves_its_trace_under_the_same_name(sign_in, lines, monkeypatch):
    owner = sign_in("owner")
    owner.raise_request_exception = False
    monkeypatch.setattr("buildlog.queries.vehicles", lambda: 1 / 0)
    answer = owner.get("/")
    named = [line for line in lines if line["request"] == answer["X-Request-ID"]]
    assert any("ZeroDivisionError" in line.get("error", "") for line in named)
    assert [line["status"] for line in named if line["from"] == "buildlog.requests"] == [500]


def test_links_that_let_somebody_in_are_masked(client, db, make_account, lines):
    invitation = Invitation.issue("reader")
    new_password = link_for(make_account("builder"), base="http://log.example").removeprefix("http://log.example")
    for path in (f"/invitation/{invitation}/", new_password):
        assert client.get(path).status_code in (200, 302)
    told = json.dumps(lines)
    assert "/invitation/***/" in told
    assert re.search(r"/new-password/[^/]+/\*\*\*/", told)
    for secret in (invitation, new_password.strip("/").split("/")[-1]):
        assert secret not in told


def test_a_device_s_key_is_masked(vehicle, make_account):
    _, key = DeviceToken.issue(name="Logger", vehicle=vehicle, account=make_account("builder"))
    for text in (f"Authorization: Bearer {key}", f"key={key}", f'{{"token": "{key}"}}', f"refused {key} just now"):
        assert key not in masked(text), text


@pytest.mark.parametrize(
    "text",
    [
        "Cookie: firnlog_session=0vx8vqxs3pmgmbhwjzz0ygpx; theme=dark",
        "__Host-firnlog_csrf=Yk3pXlFzq1d8s0vJx2Wb",
        "csrfmiddlewaretoken: Yk3pXlFzq1d8s0vJx2Wb",
        "password=frost-and-chain-77",
        "postgresql://firnlog:frost-and-chain-77@db/firnlog",
    ],
)
def test_secrets_are_masked_wherever_they_stand(text):
    said = masked(text)
    assert "***" in said
    for secret in ("0vx8vqxs3pmgmbhwjzz0ygpx", "Yk3pXlFzq1d8s0vJx2Wb", "frost-and-chain-77"):
        assert secret not in said


def test_the_installation_s_own_key_is_masked_and_names_of_records_are_not(settings):
    record = "GET /sessions/6f2b0f6e-0c3a-4a76-9d7b-0d4c0c3f5f11/"
    assert masked(record) == record
    assert settings.SECRET_KEY not in masked(f"signed with {settings.SECRET_KEY}, alas")


@pytest.mark.parametrize("form", [JsonLines(), PlainLines("%(message)s")])
def test_traces_of_errors_are_masked_too(form):
    try:
        raise RuntimeError("postgresql://firnlog:frost-and-chain-77@db/firnlog cannot be reached")
    except RuntimeError:
        record = logging.LogRecord("django", logging.ERROR, "x.py", 1, "It broke", (), sys.exc_info())
    said = form.format(record)
    assert "cannot be reached" in said
    assert "frost-and-chain-77" not in said
