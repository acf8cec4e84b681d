"""Behind a real nginx over TLS, at the root of a name and under a sub-path: what works, and what a wrong
proxy is told. What the headers of the answers mean: RFC 6265bis (cookies), RFC 6797 (HSTS), W3C Referrer Policy."""

import re
import socket
import ssl
import urllib.error
import urllib.request
import uuid
from urllib.parse import urlsplit

import pytest

from tests.browser.nginx import NAME, PACKED, PASSED_ON, WITHOUT_TAGS
from tests.browser.visitor import FROM, Visitor

PATHS = ["", "/firnlog"]
NO_PROTO = PASSED_ON.replace("proxy_set_header X-Forwarded-Proto $scheme;", "")
NO_HOST = PASSED_ON.replace("proxy_set_header Host $http_host;", "")


@pytest.fixture(params=PATHS, ids=["root", "sub-path"])
def site(request, sites, nginx):
    made = sites(request.param)
    nginx.serve(made.port, location=f"{request.param}/")
    return made


@pytest.fixture
def visitor(site, nginx):
    return Visitor(site.base, nginx.authority)


def item(answer):
    return " ".join(re.sub(r"<[^>]+>", " ", answer.text).split())


def test_a_person_signs_in_and_sends_forms(site, visitor):
    came = visitor.ask("/sessions/")
    assert (came.status, came.leads_to) == (302, f"{site.base}/sign-in/?next={urlsplit(site.base).path}/sessions/")
    page = visitor.ask("/sign-in/")
    sheets = re.findall(r'(?:href|src)="([^"]+\.(?:css|js|svg))"', page.text)
    assert len(sheets) > 4
    for sheet in sheets:
        assert sheet.startswith(f"{urlsplit(site.base).path}/static/")
        assert visitor.ask(f"https://{urlsplit(site.base).netloc}{sheet}").status == 200
    entered = visitor.sign_in()
    assert (entered.status, entered.leads_to) == (302, f"{site.base}/")
    made = visitor.send("/vehicles/new/", {"name": f"Sled of {site.base}"})
    assert made.status == 302
    assert made.leads_to.startswith(f"{site.base}/vehicles/")
    assert f"Sled of {site.base}" in visitor.ask(made.leads_to).text
    machine = made.leads_to.removesuffix("made-of/")
    gone = visitor.send(f"{machine}remove/", {})
    assert gone.leads_to == f"{site.base}/"
    assert visitor.send("/settings/", {}).status == 405


def test_no_link_leads_out_of_the_base_url(site, visitor):
    """Every page that links lead to, from the first on: each link and form stays under the base URL, and answers."""
    visitor.sign_in("oona")
    path, seen, waiting = urlsplit(site.base).path, set(), [f"{urlsplit(site.base).path}/"]
    while waiting:
        address = waiting.pop()
        answer = visitor.ask(f"https://{urlsplit(site.base).netloc}{address}")
        if address == path:  # the back room's way to the site, without its slash
            assert answer.leads_to == f"{site.base}/"
            continue
        assert answer.status == 200, address
        if "text/html" not in answer.headers["Content-Type"]:
            continue
        for name, link in re.findall(r'(href|src|action|data-\w+)="(/[^"#]*)', answer.text):
            assert f"{link}/".startswith(f"{path}/"), f"{link} on {address}"
            plain = link.split("?")[0]
            # The back room's pages are the framework's own; its first page is looked at.
            if name != "action" and plain not in seen and not re.search(r"sign-out|service-worker", plain):
                seen.add(plain)
                waiting.append(link)
    assert len(seen) > 60


def test_cookies_go_over_https_only_and_to_this_log_only(site, visitor):
    visitor.sign_in()
    path = urlsplit(site.base).path
    begin, end = ("__Secure-", "_firnlog") if path else ("__Host-", "")
    session = f"{begin}firnlog_session{end}"
    assert set(visitor.cookies) == {session, f"{session}_known", f"{begin}firnlog_csrf{end}"}
    for name, (_, attributes) in visitor.cookies.items():
        assert attributes["secure"], name
        assert attributes["samesite"] == "Lax"
        assert (attributes["path"], attributes["domain"]) == (f"{path}/", "")
        assert bool(attributes["httponly"]) == ("session" in name)


def test_a_form_is_known_by_its_origin_or_its_referer(site, visitor):
    """Django over TLS takes neither a foreign page nor no page at all for the sender; what our policy lets
    browsers send is enough."""
    assert visitor.ask("/sign-in/").headers["Referrer-Policy"] == "same-origin"
    elsewhere = visitor.sign_in(Origin="https://elsewhere.example")
    assert elsewhere.status == 403
    assert "The form came from https://elsewhere.example" in item(elsewhere)
    assert visitor.sign_in(Origin=None, Referer=None).status == 403
    assert visitor.sign_in(Origin=None, Referer="https://elsewhere.example/").status == 403
    assert visitor.sign_in(Origin=None).status == 302


def test_links_for_people_lead_to_the_base_url(site, visitor):
    link = site.run("owner_link").stdout.strip()
    assert link.startswith(f"{site.base}/invitation/")
    assert "Choose" in visitor.ask(link).text or visitor.ask(link).status == 200
    visitor.sign_in("oona")
    shown = visitor.send("/people/", {"role": "reader"}).text
    assert re.search(rf"{re.escape(site.base)}/invitation/[\w-]+/", shown)


def test_the_field_pages_parts_stay_under_the_sub_path(site, visitor):
    path = urlsplit(site.base).path
    worker = visitor.ask("/service-worker.js")
    assert worker.headers["Service-Worker-Allowed"] == f"{path}/field/"
    assert f'"page": "{path}/field/"' in worker.text
    manifest = visitor.ask("/field/manifest.webmanifest").text
    assert f'"start_url": "{path}/field/"' in manifest
    assert f'"src": "{path}/static/' in manifest
    visitor.sign_in()
    described = visitor.ask("/api/v1/schema/").text
    assert f"- url: {site.base}\n" in described
    assert "\n  /api/v1/sessions/:\n" in described


def test_the_owner_sees_that_all_is_right(site, visitor, nginx):
    visitor.sign_in("oona")
    page = visitor.ask("/connection/", Sec_Fetch_Site="same-origin", Referer=f"{site.base}/settings/")
    assert "All as expected" in page.text
    assert "X-Forwarded-Proto https" in item(page)
    for value, _ in visitor.cookies.values():
        assert value not in page.text
    builder = Visitor(site.base, nginx.authority)
    builder.sign_in("ilo")
    assert builder.ask("/connection/").status == 403


def test_nobody_reads_the_probe_without_its_signature(visitor):
    assert visitor.ask("/connection/seen/").status == 404
    assert visitor.ask("/connection/seen/", X_Firnlog_Probe="eyJ:forged:signature").status == 404


def test_the_documented_block_as_it_stands(sites, nginx):
    site = sites("/firnlog")
    nginx.serve_documented(site.port)
    visitor = Visitor(site.base, nginx.authority)
    assert visitor.sign_in("oona").leads_to == f"{site.base}/"
    assert "All as expected" in visitor.ask("/connection/").text
    without_slash = visitor.ask(site.base)
    assert (without_slash.status, without_slash.leads_to) == (301, f"{site.base}/")
    plain = urllib.request.Request(f"http://127.0.0.1:{nginx.plain_port}/firnlog/settings/", headers={"Host": NAME})
    with pytest.raises(urllib.error.HTTPError) as led:
        urllib.request.build_opener(_Unled).open(plain)
    assert led.value.headers["Location"] == f"https://{NAME}/firnlog/settings/"


def test_the_documented_block_does_not_lead_a_program_from_http_to_https(sites, nginx):
    """ASVS 5.0, 4.1.2: a program that sends its key unencrypted is refused, so that its author notices."""
    nginx.serve_documented(sites("/firnlog").port)
    for path in ("/firnlog/api/v1/readings/", "/firnlog/api/v1/field/records/"):
        plain = urllib.request.Request(
            f"http://127.0.0.1:{nginx.plain_port}{path}", headers={"Host": NAME, "Authorization": "Bearer of-a-device"}
        )
        with pytest.raises(urllib.error.HTTPError) as refused:
            urllib.request.build_opener(_Unled).open(plain)
        assert (refused.value.code, refused.value.headers["Location"]) == (403, None)


def test_the_documented_block_takes_strong_ciphers_only_the_strongest_first(sites, nginx):
    """ASVS 5.0, 12.1.2. The suites: RFC 9325, section 4.2; 12.1.1: the newest version where both know it."""
    nginx.serve_documented(sites("/firnlog").port)

    def agreed(ciphers="", newest=ssl.TLSVersion.TLSv1_2):
        trust = ssl.create_default_context(cafile=str(nginx.authority))
        trust.maximum_version = newest
        if ciphers:
            trust.set_ciphers(ciphers)
        with (
            socket.create_connection(("127.0.0.1", nginx.port), timeout=10) as reached,
            trust.wrap_socket(reached, server_hostname=NAME) as wrapped,
        ):
            return wrapped.cipher()[0], wrapped.version()

    weaker_first = "ECDHE-ECDSA-AES128-GCM-SHA256:ECDHE-ECDSA-AES256-GCM-SHA384"
    assert agreed(weaker_first) == ("ECDHE-ECDSA-AES256-GCM-SHA384", "TLSv1.2")
    for refused in ("ECDHE-ECDSA-AES128-SHA", "ECDHE-ECDSA-AES256-SHA384", "AES128-GCM-SHA256", "DHE-RSA-AES256-SHA"):
        with pytest.raises((ssl.SSLError, ConnectionError)):
            agreed(refused)
    assert agreed(newest=ssl.TLSVersion.TLSv1_3)[1] == "TLSv1.3"


def test_a_request_of_two_lengths_does_not_get_past_the_documented_block(sites, nginx):
    """ASVS 5.0, 4.2.1: nginx and the server behind it never differ about where a request ends."""
    nginx.serve_documented(sites("/firnlog").port)
    trust = ssl.create_default_context(cafile=str(nginx.authority))
    hidden = b"GET /firnlog/health/ HTTP/1.1\r\nHost: home.example\r\n\r\n"
    lengths = b"Content-Length: %d\r\nTransfer-Encoding: chunked\r\n"
    head = b"POST /firnlog/sign-in/ HTTP/1.1\r\nHost: home.example\r\n" + lengths + b"\r\n"
    with (
        socket.create_connection(("127.0.0.1", nginx.port), timeout=10) as reached,
        trust.wrap_socket(reached, server_hostname=NAME) as wrapped,
    ):
        wrapped.sendall(head % (5 + len(hidden)) + b"0\r\n\r\n" + hidden)
        text = b""
        while block := wrapped.recv(65536):
            text += block
    assert text.startswith(b"HTTP/1.1 400 ")
    assert text.count(b"HTTP/1.1 ") == 1


class _Unled(urllib.request.HTTPRedirectHandler):
    def redirect_request(self, *_):
        return None


def test_a_proxy_that_takes_the_sub_path_off_works_as_well(sites, nginx):
    site = sites("/firnlog")
    nginx.serve(site.port, location="/firnlog/", proxy_pass=f"http://127.0.0.1:{site.port}/")
    visitor = Visitor(site.base, nginx.authority)
    assert visitor.sign_in("oona").leads_to == f"{site.base}/"
    made = visitor.send("/venues/new/", {"name": "Far lake"})
    assert made.leads_to.startswith(f"{site.base}/sessions/new/")  # the next of the first steps
    sheet = re.search(r'href="(/firnlog/static/css/[^"]+)"', visitor.ask("/").text).group(1)
    assert visitor.ask(f"https://{urlsplit(site.base).netloc}{sheet}").status == 200
    page = visitor.ask("/connection/")
    assert "taken off by the proxy" in page.text
    assert "All as expected" in page.text


def connection_page(site, visitor, nginx, passed_on):
    """By the page Connection, behind a proxy that passes on only so much; signing in works all the same."""
    nginx.serve(site.port, location=f"{urlsplit(site.base).path}/", passed_on=passed_on)
    assert visitor.sign_in("oona").status == 302
    return item(visitor.ask("/connection/"))


def test_a_proxy_that_does_not_say_https(site, visitor, nginx):
    """It goes on working, because the base URL says what the proxy keeps to itself; the owner is told."""
    page = connection_page(site, visitor, nginx, NO_PROTO)
    assert "The proxy does not say that people come over https" in page
    assert "proxy_set_header X-Forwarded-Proto $scheme;" in page


def test_a_proxy_that_puts_its_own_host_name(site, visitor, nginx):
    page = connection_page(site, visitor, nginx, NO_HOST)
    assert "The proxy puts another name in place of the one people open" in page
    assert "proxy_set_header Host $http_host;" in page
    # Links handed out do not follow the wrong name.
    assert f"{site.base}/invitation/" in visitor.send("/people/", {"role": "reader"}).text


def test_a_proxy_whose_host_name_is_unknown(site, visitor, nginx):
    path = urlsplit(site.base).path
    visitor.sign_in("oona")
    around = f"upstream inner_name {{ server 127.0.0.1:{site.port}; }}"
    nginx.serve(site.port, location=f"{path}/", passed_on=NO_HOST, proxy_pass="http://inner_name", around=around)
    stranger = Visitor(site.base, nginx.authority).ask("/")
    assert stranger.status == 400
    assert "requested under a host name that" in item(stranger)
    assert "manage.py check --deploy" in item(stranger)
    assert "inner_name" not in stranger.text
    assert NAME not in stranger.text
    owner = visitor.ask("/")
    assert owner.status == 400
    assert f'href="{path}/connection/"' in owner.text
    page = visitor.ask("/connection/")
    assert page.status == 400
    assert "Host inner_name" in item(page)
    assert "proxy_set_header Host $http_host;" in item(page)


def test_a_sub_path_that_the_log_does_not_know(sites, nginx):
    site = sites("")
    nginx.serve(site.port, location="/log/")
    visitor = Visitor(site.base, nginx.authority)
    for address in ("/log/", "/log/sign-in/"):
        missing = visitor.ask(address)
        assert missing.status == 404
        assert "BUILDLOG_BASE_URL must end in /log" in item(missing)
    assert "BUILDLOG_BASE_URL must" not in item(visitor.ask("/log/nonsense/"))


def test_a_client_cannot_say_who_it_is(site, visitor):
    visitor.sign_in("oona")
    page = item(visitor.ask("/connection/", X_Forwarded_For="198.51.100.9"))
    assert f"{FROM}, from 127.0.0.1, X-Forwarded-For: 198.51.100.9, {FROM}" in page


def test_what_headers_say_is_written_out_and_never_run(site, visitor):
    visitor.sign_in("oona")
    page = visitor.ask("/connection/", X_Forwarded_Prefix="<script>alert(1)</script>")
    assert b"<script>alert(1)" not in page.body
    assert b"&lt;script&gt;alert(1)" in page.body


@pytest.fixture
def tried_at_localhost(filled_under, tmp_path, nginx, monkeypatch):
    """The base URL as this machine itself can resolve it; the test certificate is trusted by what it starts."""

    from tests.browser.installation import Installation

    monkeypatch.setenv("SSL_CERT_FILE", str(nginx.authority))
    base = f"https://localhost:{nginx.port}/firnlog"
    made = Installation.copy_of(
        filled_under("/firnlog"), tmp_path / "data", BUILDLOG_BASE_URL=base, BUILDLOG_HSTS="hour"
    ).start()
    made.base = base
    yield made
    made.kill()


def test_check_asks_over_the_base_url_and_says_the_mend(tried_at_localhost, nginx, monkeypatch):
    site = tried_at_localhost

    def checked():
        run = site.run("check", "--deploy", "--fail-level", "WARNING")
        return run.returncode, run.stdout

    nginx.serve(site.port, location="/firnlog/")
    answer_headers = Visitor(site.base, nginx.authority).ask("/sign-in/").headers
    assert answer_headers["Strict-Transport-Security"] == "max-age=3600"  # neither sub-names nor the browsers' own list
    assert checked() == (0, "System check identified no issues (3 silenced).\n")
    nginx.serve(site.port, location="/firnlog/", passed_on="")
    status, text = checked()
    assert status == 1
    for words in ("X-Forwarded-Proto $scheme", "Host $http_host", "X-Forwarded-For $proxy_add", "client_max_body_size"):
        assert words in text, text
    assert len(re.findall(r"buildlog\.W022", text)) == 3
    nginx.serve(site.port, location="/other/")
    assert "is not this log (status 404)" in checked()[1]
    monkeypatch.delenv("SSL_CERT_FILE")
    assert "is not one that this machine trusts" in checked()[1]
    nginx.stop()
    assert "Nothing answers at https://localhost" in checked()[1]


@pytest.mark.parametrize(("between", "tag"), [("", '"'), (PACKED, 'W/"'), (WITHOUT_TAGS, None)])
def test_a_change_finds_its_version_whatever_a_proxy_makes_of_the_tag(sites, nginx, between, tag):
    """Packing makes a strong entity tag weak (RFC 9110, section 8.8.3.3), and some proxies drop it."""
    site = sites("")
    nginx.serve(site.port, passed_on=PASSED_ON + between)
    visitor = Visitor(site.base, nginx.authority)
    visitor.sign_in()
    path = f"/api/v1/venues/{uuid.uuid4()}/"

    def send(method, **content):
        return visitor.ask(path, method=method, content={"name": f"Bay {path}", **content}, Accept_Encoding="gzip")

    made = visitor.ask(path, method="PUT", content={"name": f"Bay {path}"}, If_None_Match="*")
    assert made.status == 201
    version = made.data["version"]
    for number, method in enumerate(("PUT", "PATCH", "PUT")):
        answer = send(method, notes=f"Change {number}", version=version)
        assert answer.status == 200
        version = answer.data["version"]
    assert answer.headers["ETag"].startswith(tag) if tag else answer.headers["ETag"] is None
    if tag:
        known = {"If_Match": answer.headers["ETag"]}
        answer = visitor.ask(path, method="PATCH", content={"notes": "By tag"}, **known)
        assert answer.status == 200
        version = answer.data["version"]
    without = send("PATCH", notes="Over it")
    assert (without.status, without.data["stored"]["notes"]) == (428, "By tag" if tag else "Change 2")
    late = send("PUT", notes="Late", version=made.data["version"])
    assert (late.status, late.data["sent"]["notes"]) == (412, "Late")
    assert visitor.ask(path).data["version"] == version
