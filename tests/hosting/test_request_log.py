"""What is written down of each request, and that no key is."""

import json
import logging
import re
import sys
from datetime import UTC, datetime, timedelta
from types import SimpleNamespace

import pytest
from django.test import Client

from buildlog.hosting import request_log
from buildlog.hosting.environment import networks
from buildlog.hosting.request_log import JsonLines, PlainLines, logging_settings, masked
from buildlog.models import DeviceToken, Invitation
from buildlog.people.password_links import link_for


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
    levels = [logger.level for logger in loggers]
    for logger in loggers:
        logger.addHandler(handler)
        logger.setLevel(logging.INFO)
    yield held
    for logger, level in zip(loggers, levels, strict=True):
        logger.removeHandler(handler)
        logger.setLevel(level)


def test_each_request_is_one_line(sign_in, lines, settings):
    settings.TRUSTED_PROXIES = networks("127.0.0.1")
    owner = sign_in("owner")
    answer = owner.get("/parts/", headers={"X-Request-ID": "from-the-proxy-17", "X-Forwarded-For": "198.51.100.9"})
    (line,) = lines
    assert answer["X-Request-ID"] == line["request"] == "from-the-proxy-17"
    assert (line["method"], line["path"], line["status"]) == ("GET", "/parts/", 200)
    assert line["account"] == int(owner.session["_auth_user_id"])
    assert line["duration_ms"] > 0
    # ASVS 5.0, 16.2.1 and 16.2.2: when, with the zone written out.
    at = datetime.fromisoformat(line["at"])
    assert at.utcoffset() == timedelta(0)
    assert abs(datetime.now(UTC) - at) < timedelta(minutes=1)
    assert line["from"] == "buildlog.requests"
    assert (line["client"], line["device"]) == ("198.51.100.9", None)


def test_a_device_s_request_says_which_and_whose_it_is(client, vehicle, make_account, lines):
    account = make_account("builder")
    device, key = DeviceToken.issue(name="Logger", vehicle=vehicle, account=account, may_read=True)
    answer = client.get("/api/v1/sessions/", headers={"Authorization": f"Bearer {key}"}, REMOTE_ADDR="192.0.2.7")
    assert answer.status_code == 200
    assert (lines[-1]["account"], lines[-1]["device"], lines[-1]["client"]) == (account.pk, device.pk, "192.0.2.7")
    assert client.get("/api/v1/sessions/", headers={"Authorization": f"Bearer {key}x"}).status_code == 401
    assert (lines[-1]["account"], lines[-1]["device"], lines[-1]["level"]) == (None, None, "warning")


@pytest.fixture
def plain_lines():
    """What is written with `BUILDLOG_LOG=plain`: its levels and its form, into a list."""
    data = logging_settings("plain")
    held = []
    handler = logging.Handler()
    handler.setFormatter(PlainLines(data["formatters"]["plain"]["format"]))
    handler.emit = lambda record: held.append(handler.format(record))
    ours = logging.getLogger("buildlog")
    before = ours.level
    ours.setLevel(data["loggers"]["buildlog"]["level"])
    ours.addHandler(handler)
    yield held
    ours.removeHandler(handler)
    ours.setLevel(before)


def test_plain_lines_say_who_was_refused_and_nothing_of_the_others(sign_in, plain_lines, settings):
    reader = sign_in("reader")
    pk = reader.session["_auth_user_id"]
    assert reader.get("/parts/").status_code == 200
    assert reader.get("/nothing/").status_code == 404
    assert reader.get("/people/", REMOTE_ADDR="192.0.2.7").status_code == 403
    assert Client().get("/api/v1/sessions/").status_code in (401, 403)
    for _ in range(6):
        Client().post("/sign-in/", {"username": "ilo", "password": "frost-and-chain-78"}, REMOTE_ADDR="192.0.2.8")
    sentences = [line.partition("WARNING ")[2] for line in plain_lines]
    assert sentences[0] == f"GET /people/ 403 for account {pk}, 192.0.2.7"
    assert sentences[1].startswith("GET /api/v1/sessions/ 40")
    assert sentences[2:] == ["POST /sign-in/ 429 for 192.0.2.8"]


def test_a_refused_address_is_one_plain_line(plain_lines, client, db, settings):
    settings.ALLOWED_HOSTS = ["log.example"]
    assert client.get("/a%0A2026-01-01 00:00:00,000Z ERROR forged").status_code == 400
    (line,) = plain_lines
    assert "\n" not in line


def test_a_name_of_a_request_is_believed_from_a_trusted_proxy_only(client, db, lines, settings):
    for trusted, believed in (("127.0.0.1", True), ("192.0.2.1", False), ("none", False)):
        settings.TRUSTED_PROXIES = networks(trusted)
        answer = client.get("/sign-in/", headers={"X-Request-ID": "from-the-proxy-17"})
        assert (answer["X-Request-ID"] == lines[-1]["request"] == "from-the-proxy-17") is believed


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
def test_a_name_of_anybody_s_choosing_is_not_taken_over(given, client, db, lines, settings):
    settings.TRUSTED_PROXIES = networks("127.0.0.1")
    answer = client.get("/sign-in/", headers={"X-Request-ID": given})
    assert answer["X-Request-ID"] == lines[-1]["request"] != given
    assert len(answer["X-Request-ID"]) == 32


def test_a_page_that_breaks_leaves_its_trace_under_the_same_name(sign_in, lines, monkeypatch):
    owner = sign_in("owner")
    owner.raise_request_exception = False
    monkeypatch.setattr("sessions.bench.home_pages.machines_for", lambda request: 1 / 0)
    answer = owner.get("/")
    named = [line for line in lines if line["request"] == answer["X-Request-ID"]]
    assert any("ZeroDivisionError" in line.get("error", "") for line in named)
    assert [line["status"] for line in named if line["from"] == "buildlog.requests"] == [500]


def test_what_happened_to_access_is_a_line_of_the_log_too(client, db, make_account, lines):
    """ASVS 5.0, 16.4.3: from standard error the machine can send it on, out of reach of who breaks in here."""
    account = make_account("builder")
    wrong = {"username": account.username, "password": "not-that-one"}
    client.post("/sign-in/", wrong, REMOTE_ADDR="192.0.2.8")
    sentences = [line["message"] for line in lines if line["from"] == "buildlog.people.access_log"]
    assert sentences == [f"access: wrong, account {account.pk}, 192.0.2.8"]
    assert "not-that-one" not in json.dumps(lines)


def test_links_that_let_somebody_in_are_masked(client, db, make_account, lines):
    invitation = Invitation.issue("reader")
    new_password = link_for(make_account("builder"), base="http://log.example").removeprefix("http://log.example")
    for path in (f"/invitation/{invitation}/", new_password):
        assert client.get(path).status_code in (200, 302)
    data = json.dumps(lines)
    assert "/invitation/***/" in data
    assert re.search(r"/new-password/[^/]+/\*\*\*/", data)
    for secret in (invitation, new_password.strip("/").split("/")[-1]):
        assert secret not in data


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
        "postgresql://firnlog:frost/and-chain-77@frost-and-chain-77@db/firnlog",
        "old_password=frost-and-chain-77&new_password1=frost-and-chain-77",
        '{"password1": "frost-and-chain-77", "x": 1}',
        """{'old_password': 'a frost-and-chain-77', 'x': 1}""",
        """{'new_password2': "it's frost-and-chain-77"}""",
        r"""{'password': 'it\'s frost-and-chain-77'}""",
        "<QueryDict: {'password': ['one frost-and-chain-77']}>",
        """[('password', 'one frost-and-chain-77'), (b'password', b'one frost-and-chain-77')]""",
        'password = "one frost-and-chain-77',
        r'"{\"password1\": \"one frost-and-chain-77\"}"',
        "SECRET_KEY=frost-and-chain-77",
        "BUILDLOG_S3_SECRET_KEY: frost-and-chain-77",
        "aws_secret_access_key = frost-and-chain-77",
        "host=db.example password=frost-and-chain-77",
    ],
)
def test_secrets_are_masked_wherever_they_stand(text):
    sentence = masked(text)
    assert "***" in sentence
    for secret in ("0vx8vqxs3pmgmbhwjzz0ygpx", "Yk3pXlFzq1d8s0vJx2Wb", "frost-and-chain-77"):
        assert secret not in sentence


def test_the_installation_s_own_key_is_masked_and_names_of_records_are_not(settings):
    record = "GET /sessions/6f2b0f6e-0c3a-4a76-9d7b-0d4c0c3f5f11/"
    assert masked(record) == record
    assert settings.SECRET_KEY not in masked(f"signed with {settings.SECRET_KEY}, alas")


def test_what_the_settings_keep_secret_is_masked_by_itself(monkeypatch):
    database = {"PASSWORD": "rime on the chain"}
    values = {"SECRET_KEY": "x" * 50, "SET": {"BUILDLOG_S3_SECRET_KEY": "ice over/the bay"}}
    monkeypatch.setattr(request_log, "settings", SimpleNamespace(**values, DATABASES={"default": database}))
    text = masked("refused ice over/the bay, ice%20over%2Fthe%20bay and rime on the chain")
    assert text == "refused ***, *** and ***"
    database["PASSWORD"] = "sled"
    assert masked("the sled is out") == "the sled is out", "a short one is also a word"


@pytest.mark.parametrize("plain", ["monkey: 3", "The old password was wrong, so nothing was changed.",
                                   "http://127.0.0.1:8000/sessions/?page=2", "keyboard=new"])  # fmt: skip
def test_what_is_no_secret_is_left_as_it_is(plain):
    assert masked(plain) == plain


@pytest.mark.parametrize("part", ["password", "password=\"", "password='\\", "://a:", "key ", "token ", "_key: (",
                                  "/new-password/", "a" * 40, "bearer  "])  # fmt: skip
def test_the_time_masking_takes_is_in_proportion(part):
    """In a time that grew with the square these two million signs would take hours."""
    assert masked(part * (2_000_000 // len(part)))


def test_what_a_record_carries_besides_stays_out_of_its_line(rf):
    """The framework hands its loggers the whole request, whose words show cookies and what was posted."""
    record = logging.LogRecord("django.request", logging.ERROR, "x.py", 1, "It broke: %s", ("here",), None)
    record.request, record.status_code = rf.post("/sign-in/", {"password": "frost-and-chain-77"}), 500
    line = json.loads(JsonLines().format(record))
    assert sorted(line) == ["at", "from", "level", "message", "request"]
    assert (line["level"], line["message"], line["request"]) == ("error", "It broke: here", "")
    assert datetime.fromisoformat(line["at"]).utcoffset() == timedelta(0)


@pytest.mark.parametrize("form", [JsonLines(), PlainLines("%(message)s")])
def test_traces_of_errors_are_masked_too(form):
    try:
        raise RuntimeError("postgresql://firnlog:frost-and-chain-77@db/firnlog cannot be reached")
    except RuntimeError:
        record = logging.LogRecord("django", logging.ERROR, "x.py", 1, "It broke", (), sys.exc_info())
    text = form.format(record)
    assert "cannot be reached" in text
    assert "frost-and-chain-77" not in text
