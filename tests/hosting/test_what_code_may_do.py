"""What no page can show: what the program's code may and may not do (ASVS 5.0.0, items named at each test)."""

import ast
import base64
import hashlib
import http.server
import re
import threading
from pathlib import Path

import pytest
from django.contrib.auth.hashers import PBKDF2PasswordHasher

from buildlog.hosting import probe, request_log
from buildlog.hosting.setting_readers import base_url
from buildlog.models import AccessEvent, Account, DeviceToken, Invitation
from sessions.sharing.models import ShareLink
from tests.data_folders import PROJECT
from tests.documents import help_text
from tests.processes import LONGEST_WAIT_S

CODE = {
    str(path.relative_to(PROJECT)): ast.parse(path.read_text())
    for folder in ("buildlog", "sessions", "calc")
    for path in (PROJECT / folder).rglob("*.py")
    if "migrations" not in path.parts
}
SCRIPTS = {path: path.read_text() for path in (PROJECT / "static").rglob("*.js")}


def calls(tree):
    """Of each call: what it is called on ("" for a plain name), its name, and the call."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Call):
            if isinstance(node.func, ast.Attribute):
                yield ast.unparse(node.func.value), node.func.attr, node
            elif isinstance(node.func, ast.Name):
                yield "", node.func.id, node


def imported(tree):
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            yield from ({node.module} | {f"{node.module}.{alias.name}" for alias in node.names})


def files_that(result):
    return {name for name, tree in CODE.items() if result(tree)}


def test_no_text_is_run_and_no_objects_are_made_of_bytes():
    """1.3.2 and 1.5.2."""
    assert len(CODE) > 300
    for name, tree in CODE.items():
        run = {call for on, call, _ in calls(tree) if not on} & {"eval", "exec", "compile", "__import__"}
        assert run == set(), name
        assert {module.split(".")[0] for module in imported(tree)} & {
            "pickle",
            "marshal",
            "shelve",
            "dill",
            "code",
        } == set(), name


def test_no_query_is_put_together_of_text():
    """1.2.4: only the copy of whole tables names a table in the text, quoted by the database's own rules."""

    def puts_together(tree):
        return any(
            call in ("execute", "executemany", "raw", "extra", "RawSQL")
            and node.args
            and not isinstance(node.args[0], ast.Constant)
            for _, call, node in calls(tree)
        )

    assert files_that(puts_together) == {
        "buildlog/hosting/backups/database.py",
        "buildlog/hosting/data_copy.py",
        "buildlog/hosting/health.py",
        "buildlog/hosting/sqlite_fair_lock/base.py",
    }


def test_no_pattern_and_no_form_of_text_is_made_of_what_was_typed():
    """1.2.9 and 1.3.10: patterns put together are of this program's own words; no text is a form for others."""

    def patterns(tree):
        return any(
            on == "re"
            and call in ("compile", "search", "match", "fullmatch", "sub", "findall", "split", "finditer")
            and isinstance(node.args[0], ast.JoinedStr)
            for on, call, node in calls(tree)
        )

    assert files_that(patterns) == {
        "buildlog/hosting/connection_pages.py",  # names of our own fields
        "buildlog/hosting/setting_readers.py",
        "calc/quantities.py",
        "sessions/logs/column_guess.py",  # words of the table of meanings
    }
    # Sentences of the rules of doubts, which stand in the program; what is filled in are numbers and units.
    assert files_that(lambda tree: any(call == "format_map" for _, call, _ in calls(tree))) == {"calc/doubts/check.py"}
    forms = {(name, on) for name, tree in CODE.items() for on, call, _ in calls(tree) if call == "format"}
    assert forms == {("buildlog/hosting/request_log.py", "super()")}


def test_only_what_the_settings_name_is_asked():
    """1.3.6, 13.1.1, 13.2.4 and 13.2.5: these modules open connections, and help says which."""
    networks = {
        "http.client",
        "urllib.request",
        "socket",
        "smtplib",
        "ftplib",
        "requests",
        "httpx",
        "boto3",
        "paramiko",
        "asyncio",
        "telnetlib",
    }
    opening = {name: set(imported(tree)) & networks for name, tree in CODE.items()}
    assert {name: result for name, result in opening.items() if result} == {
        "buildlog/hosting/backups/offsite_places.py": {"boto3"},
        "buildlog/hosting/probe.py": {"http.client"},
        "buildlog/hosting/web_server.py": {"socket"},  # options of its own listening sockets
        "buildlog/management/commands/serve.py": {"socket"},  # whether the port is free
    }
    text = help_text("security")
    assert (
        "Connections the program opens: the database and store that the settings name, the place outside that" in text
    )
    assert "its own base URL when the owner runs `check --deploy`" in text


def test_a_redirect_of_the_one_address_that_is_asked_is_not_followed(settings, monkeypatch):
    """15.3.2."""
    monkeypatch.setattr(probe, "TIMEOUT_S", LONGEST_WAIT_S)
    asked = []

    class Leads(http.server.BaseHTTPRequestHandler):
        def do_GET(self):
            asked.append(self.path)
            self.send_response(302)
            self.send_header("Location", f"http://127.0.0.1:{self.server.server_port}/elsewhere/")
            self.end_headers()

        def log_message(self, *args):
            pass

    server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Leads)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    try:
        settings.BASE_URL = base_url(f"http://127.0.0.1:{server.server_port}")
        with pytest.raises(probe.NoAnswer, match="leads away to"):
            probe.ask()
    finally:
        server.shutdown()
        server.server_close()
    assert asked == ["/connection/seen/"]


def test_hashes_are_sha_256_and_chance_that_must_not_be_guessed_is_the_systems():
    """11.2.1, 11.4.1 and 11.5.1. TOTP's SHA-1 is the library's (RFC 6238)."""
    used = {call for tree in CODE.values() for on, call, _ in calls(tree) if on == "hashlib"}
    assert used == {"sha256"}
    hmacs = [node for tree in CODE.values() for on, call, node in calls(tree) if (on, call) == ("hmac", "new")]
    assert hmacs
    assert all("hashlib.sha256" in ast.unparse(node) for node in hmacs)
    # The one says when a phone comes again, the other draws the invented season.
    assert files_that(lambda tree: "random" in set(imported(tree))) == {
        "sessions/field/batches.py",
        "sessions/demo/loading.py",
    }


def test_passwords_are_hashed_as_slowly_as_is_asked():
    """11.4.2: PBKDF2-HMAC-SHA256 with 600,000 rounds at least (OWASP Password Storage Cheat Sheet)."""
    assert "PASSWORD_HASHERS" not in (PROJECT / "buildlog/config/settings.py").read_text()
    assert PBKDF2PasswordHasher.iterations >= 600_000
    assert PBKDF2PasswordHasher.digest is hashlib.sha256


def test_links_and_keys_have_256_random_bits(db, monkeypatch, vehicle, revision, make_account):
    """6.4.1 and 11.5.1: all of it comes from the system's generator."""
    account = make_account("owner")
    drawn = iter(range(1, 200))
    monkeypatch.setattr("secrets.token_bytes", lambda size=32: bytes([next(drawn)]) * size)
    monkeypatch.setattr(
        "secrets.token_urlsafe",
        lambda size: base64.urlsafe_b64encode(bytes([next(drawn)]) * size).rstrip(b"=").decode(),
    )
    made = [
        Invitation.issue("reader"),
        DeviceToken.issue(name="Logger", vehicle=vehicle, account=account)[1],
        ShareLink.issue(7, made_by=account, revision=revision)[1],
    ]
    for token in made:
        assert re.search(r"[\w-]{43}$", token), token
        content = base64.urlsafe_b64decode(token[-43:] + "=")
        assert len(content) == 32
        assert len(set(content)) == 1, "all of what was drawn, and nothing else"


def test_no_test_tool_is_part_of_the_program():
    """15.2.3."""
    for name, tree in CODE.items():
        assert not any(
            module.split(".")[0] in ("tests", "pytest", "playwright", "hypothesis") for module in imported(tree)
        ), name
    installed = (PROJECT / "requirements.txt").read_text().lower()
    for tool in ("pytest", "playwright", "hypothesis", "schemathesis", "moto", "debug-toolbar", "ruff", "mypy"):
        assert not re.search(rf"^{tool}", installed, re.MULTILINE), tool
    assert "debug" not in (PROJECT / "buildlog/config/urls.py").read_text()


def test_logs_go_to_standard_error_and_to_the_table_that_help_names():
    """16.1.1 and 16.2.3."""
    for form in ("plain", "json"):
        handlers = request_log.logging_settings(form)["handlers"]
        assert [handler["class"] for handler in handlers.values()] == ["logging.StreamHandler"]
    assert (
        files_that(
            lambda tree: any(
                "Handler" in call
                for _, call, _ in calls(tree)
                if call.startswith(("File", "Rotating", "SysLog", "HTTP", "Socket"))
            )
        )
        == set()
    )
    text = help_text("security")
    logs = text[text.index("Logs: ") :].partition("\n")[0]
    for sentence in ("standard error", "in the database", "owners", "UTC", f"{AccessEvent.KEPT_FOR.days} days"):
        assert sentence in logs, sentence


def test_nothing_is_asked_that_others_could_know():
    """6.4.2: an account has no hint, question or answer."""
    assert {field.name for field in Account._meta.get_fields() if not field.is_relation} == {
        "id", "password", "last_login", "is_superuser", "username", "first_name", "last_name", "email", "is_staff",
        "is_active", "date_joined", "role", "unit_system", "session_generation", "decimal_sign",
    }  # fmt: skip


def test_messages_come_from_pages_of_this_origin_and_are_of_known_words():
    """3.5.5: a worker hears its own origin's pages only (Service Workers, W3C, 4.2.5), and takes two words; no window
    listens to others."""
    hearing = {path.name for path, text in SCRIPTS.items() if re.search(r"onmessage|[\"']message[\"']", text)}
    assert hearing == {"worker.js", "start.js", "signals.js"}
    assert not any(
        re.search(r"(window|self|globalThis)\.onmessage|BroadcastChannel\(.*http", text) for text in SCRIPTS.values()
    )
    worker = (PROJECT / "static/field/worker.js").read_text()
    words = re.findall(r'event\.data === "([a-z ]+)"', worker)
    assert words == ["which version", "use the new version"]
    assert worker.count("event.data") == len(words)


def test_no_script_writes_through_two_names_that_came_from_outside():
    """15.3.6: `a[b][c] = d` reaches the prototype of everything where b is "__proto__"."""
    for path, text in SCRIPTS.items():
        assert not re.search(r"\]\s*\[[^\]\n]+\]\s*(?:\?\?|\|\|)?=[^=>]", text), path
        assert not re.search(r"__proto__|setPrototypeOf|\.prototype\b", text), path
        assert not re.search(r"Object\.assign\(\w+\[", text), path


def test_no_plug_in_is_asked_for():
    """3.7.1."""
    for path in Path(PROJECT / "templates").rglob("*.html"):
        assert not re.search(r"<(object|embed|applet)\b", path.read_text()), path
