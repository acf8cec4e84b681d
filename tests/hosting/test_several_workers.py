"""What must hold when several worker processes answer at once: a real server with two of four threads each."""

import collections
import http.cookiejar
import json
import re
import urllib.error
import urllib.parse
import urllib.request
import uuid
from concurrent.futures import ThreadPoolExecutor

import pytest

from tests.data_folders import lay_static_files
from tests.hosting.test_serve import answer, start
from tests.processes import LONGEST_WAIT_S
from tests.servers import free_port

PASSWORD = "frost-and-chain-77"


class NoRedirect(urllib.request.HTTPRedirectHandler):
    def redirect_request(self, *_):
        return None


class Visitor:
    """A browser without the looks: cookies, forms with their token, and the API."""

    def __init__(self, address):
        self.address = address
        self.jar = http.cookiejar.CookieJar()
        self.opener = urllib.request.build_opener(urllib.request.HTTPCookieProcessor(self.jar), NoRedirect)

    def ask(self, path, body=None, method=None, **headers):
        request = urllib.request.Request(self.address + path, body, headers, method=method)
        try:
            with self.opener.open(request, timeout=LONGEST_WAIT_S) as answer:
                return answer.status, answer.read().decode()
        except urllib.error.HTTPError as answer:
            return answer.code, answer.read().decode()

    @property
    def token(self):
        return next(item.value for item in self.jar if "csrf" in item.name)

    def send(self, path, **fields):
        self.ask(path)
        fields["csrfmiddlewaretoken"] = self.token
        return self.ask(path, urllib.parse.urlencode(fields).encode())

    def put(self, path, values, **headers):
        more = {"Content-Type": "application/json", "X-CSRFToken": self.token, **headers}
        return self.ask(path, json.dumps(values).encode(), "PUT", **more)


@pytest.fixture(scope="module")
def installation(tmp_path_factory, collected):
    """A running server, and its owner signed in."""
    port = free_port()
    folder = tmp_path_factory.mktemp("several") / "data"
    lay_static_files(collected, folder)
    with start(folder, "--port", str(port), "--workers", "2") as server:
        owner = Visitor(f"http://127.0.0.1:{port}")
        answer(server, port)
        link = re.search(r"/invitation/[\w-]+/", server.output)[0]
        code, _ = owner.send(link, username="mara", password1=PASSWORD, password2=PASSWORD, unit_system="metric")
        assert code == 302
        yield owner
        server.stop()


@pytest.fixture(scope="module")
def outing(installation):
    """A session to log to, made by the API."""
    keys = {kind: str(uuid.uuid4()) for kind in ("vehicles", "revisions", "venues", "sessions")}
    for kind, values in {
        "vehicles": {"name": "Sled"},
        "revisions": {"vehicle": keys["vehicles"], "number": 1, "date": "2026-01-10"},
        "venues": {"name": "Lake"},
        "sessions": {"revision": keys["revisions"], "venue": keys["venues"], "started_at": "2026-01-17T11:00:00Z"},
    }.items():
        code, text = installation.put(f"/api/v1/{kind}/{keys[kind]}/", values)
        assert code == 201, text
    return keys["sessions"]


@pytest.mark.parametrize(
    "path", ["/static/", "/static/css", "/static/css/", "/static/field/", "/static/css/../", "/static/..%2fsecret_key",
             "/media/", "/.env", "/.git/config", "/secret_key", "/buildlog.sqlite3"]
)  # fmt: skip
def test_no_folder_shows_what_is_in_it(installation, path):
    """ASVS 5.0.0, V13.4.1 and V13.4.3: static files are had by their names, and nothing else by its path."""
    code, text = installation.ask(path)
    assert code in (302, 404)
    assert "tokens" not in text.partition("</head>")[2]


def test_puts_sent_again_and_all_at_once_make_no_duplicate(installation, outing):
    """50 records, each sent 8 times by 16 senders at once, as after lost replies."""
    rows = {
        f"/api/v1/readings/{uuid.uuid4()}/": {"session": outing, "time_into_session_s": n, "voltage_v": 50}
        for n in range(50)
    }
    work = [item for item in rows.items() for _ in range(8)]
    with ThreadPoolExecutor(16) as senders:
        answers = list(senders.map(lambda item: installation.put(*item, **{"If-None-Match": "*"}), work))
    codes = collections.Counter(code for code, _ in answers)
    assert codes == {201: 50, 200: 350}
    text = json.loads(installation.ask(f"/api/v1/readings/?session={outing}")[1])
    assert text["count"] == 50
    print(f"400 PUTs of 50 records by 16 senders: {dict(codes)}, {text['count']} records")


def test_passes_that_two_phones_number_at_once_are_each_stored_once(installation, outing):
    session = json.loads(installation.ask(f"/api/v1/sessions/{outing}/")[1])
    gate = f"/api/v1/gates/{uuid.uuid4()}/"
    marks = [{"position_m": 0}, {"position_m": 100}]
    assert installation.put(gate, {"venue": session["venue"], "name": "Straight", "marks": marks})[0] == 201
    values = {"session": outing, "gate": gate.split("/")[-2], "duration_s": 7.3}
    paths = [f"/api/v1/passes/{uuid.uuid4()}/" for _ in range(20)]
    with ThreadPoolExecutor(16) as senders:
        answers = list(senders.map(lambda path: installation.put(path, values), paths * 5))
    assert {code for code, _ in answers} == {200, 201}
    rows = json.loads(installation.ask(f"/api/v1/passes/?session={outing}")[1])["results"]
    assert sorted(row["number"] for row in rows) == list(range(1, 21))


def test_guesses_made_all_at_once_are_counted_together(installation):
    """24 guesses by 12 at once, over two processes: five are looked at, the others have to wait."""

    def guess(number):
        visitor = Visitor(installation.address)
        return visitor.send("/sign-in/", username="mara", password=f"wrong-{number}")[0]

    with ThreadPoolExecutor(12) as guessers:
        codes = collections.Counter(guessers.map(guess, range(24)))
    assert codes[200] <= 5
    assert codes[200] + codes[429] == 24
    # Who holds the owner's browser has not to wait for it.
    assert installation.ask("/people/")[0] == 200
    print(f"24 guesses at once: {dict(codes)}")
