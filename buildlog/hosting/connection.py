"""A request as it arrived through any proxies, what was expected, and the remedy where they differ."""

from __future__ import annotations

from dataclasses import dataclass
from urllib.parse import urlsplit

from django.conf import settings
from django.http import HttpRequest
from django.urls import Resolver404, resolve

from buildlog.hosting.forwarded import NOT_BELIEVED, PATH_AS_SENT
from buildlog.hosting.request_log import masked
from buildlog.people.client_address import client_address, comes_from_trusted_proxy

# Never a cookie, a key or a token, as some proxies put into headers of such names: these alone are shown.
SHOWN_HEADERS = (
    *("Host", "Forwarded", "Via", "X-Real-Ip", "Origin", "Referer"),
    *(f"X-Forwarded-{word}" for word in ("For", "Proto", "Host", "Port", "Prefix")),
)
PASS_ON = {
    "scheme": "proxy_set_header X-Forwarded-Proto $scheme;",
    "host": "proxy_set_header Host $http_host;",
    "client": "proxy_set_header X-Forwarded-For $proxy_add_x_forwarded_for;",
}


@dataclass(frozen=True)
class SeenRequest:
    """The facts of one request, as text and booleans that can be sent as JSON."""

    is_https: bool
    forwarded_proto: str
    forwarded_for: str
    forwarded_prefix: str
    host: str
    browser: str  # the address the browser says it is at, without its path; "" when it does not say
    peer: str
    client: str
    is_trusted: bool
    path: str
    is_forwarded: bool


@dataclass(frozen=True)
class Finding:
    what: str
    seen: str
    expected: str
    remedy: str = ""  # "" when it is as expected


def seen_request(request: HttpRequest) -> SeenRequest:
    sent = request.META
    # The page before is one of ours only where the browser says so.
    before = sent.get("HTTP_REFERER", "") if sent.get("HTTP_SEC_FETCH_SITE") == "same-origin" else ""
    return SeenRequest(
        is_https=request.is_secure(),
        forwarded_proto=sent.get("HTTP_X_FORWARDED_PROTO") or sent.get(NOT_BELIEVED, ""),
        forwarded_for=sent.get("HTTP_X_FORWARDED_FOR", ""),
        forwarded_prefix=sent.get("HTTP_X_FORWARDED_PREFIX", "").rstrip("/"),
        host=sent.get("HTTP_HOST", ""),
        browser=_origin(sent.get("HTTP_ORIGIN") or before),
        peer=sent.get("REMOTE_ADDR", ""),
        client=client_address(request),
        is_trusted=comes_from_trusted_proxy(request),
        path=sent.get(PATH_AS_SENT, request.path),
        is_forwarded=bool(sent.get(NOT_BELIEVED)) or any(name.startswith("HTTP_X_FORWARDED_") for name in sent),
    )


def visible_headers(request: HttpRequest) -> list[tuple[str, str]]:
    sent = {name: text for name, text in request.headers.items() if name.title() in SHOWN_HEADERS}
    if request.META.get(NOT_BELIEVED):
        sent["X-Forwarded-Proto"] = request.META[NOT_BELIEVED]
    if "Referer" in sent:
        sent["Referer"] = _origin(sent["Referer"])
    return sorted((name, masked(text)) for name, text in sent.items())


def _origin(address: str) -> str:
    """The origin of an address without its path, which may hold a secret link."""
    try:
        where = urlsplit(address)
    except ValueError:
        return ""
    return f"{where.scheme}://{where.netloc.rpartition('@')[2]}" if where.scheme and where.netloc else ""


def findings(facts: SeenRequest) -> list[Finding]:
    return [_encryption(facts), _host(facts), _browser(facts), _sub_path(facts), _client(facts), _cookies(facts)]


def problems(facts: SeenRequest) -> list[Finding]:
    return [finding for finding in findings(facts) if finding.remedy]


def suggested_base_url(facts: SeenRequest) -> str:
    scheme = "https" if facts.forwarded_proto == "https" else "http"
    return (facts.browser or f"{scheme}://{facts.host}") + facts.forwarded_prefix


def _trust(facts: SeenRequest) -> str:
    return (
        f"The proxy at {facts.peer} is not trusted, so what it says is not believed. If it is yours, set "
        f"BUILDLOG_TRUSTED_PROXIES={facts.peer}"
    )


def _encryption(facts: SeenRequest) -> Finding:
    base = settings.BASE_URL
    seen = "https" if facts.is_https else "http"
    says = f"{seen}, X-Forwarded-Proto: {facts.forwarded_proto}" if facts.forwarded_proto else seen
    remedy = ""
    if base.is_https and not facts.is_https:
        if facts.forwarded_proto == "https" and not facts.is_trusted:
            remedy = _trust(facts)
        elif facts.forwarded_proto == "http":
            remedy = f"It was opened over http. Open it at {base}/ and let the proxy lead http there."
        elif facts.forwarded_proto:
            remedy = f"The proxy must send one word, https. In nginx: {PASS_ON['scheme']}"
        else:
            remedy = f"The proxy does not say that people come over https. In nginx: {PASS_ON['scheme']}"
    elif not base.is_https and facts.forwarded_proto == "https":
        remedy = f"People come over https, but no setting says so. Set BUILDLOG_BASE_URL={suggested_base_url(facts)}"
    return Finding("Encryption", says, base.scheme or "http", remedy)


def _host(facts: SeenRequest) -> Finding:
    base = settings.BASE_URL
    if not base:
        expected = ", ".join(settings.ALLOWED_HOSTS)
        remedy = ""
        if facts.is_forwarded:
            remedy = f"It seems to stand behind a proxy. Set BUILDLOG_BASE_URL={suggested_base_url(facts)}"
        elif _name(facts.host) not in settings.ALLOWED_HOSTS:
            remedy = f"It does not answer to this name. Set BUILDLOG_HOSTS={_name(facts.host)}"
        return Finding("Host", facts.host, expected, remedy)
    remedy = ""
    if facts.host.lower() not in (base.netloc, f"{base.host}:{'443' if base.is_https else '80'}"):
        remedy = f"The proxy puts another name in place of the one people open. In nginx: {PASS_ON['host']}"
        if not facts.is_forwarded:
            remedy += f" Or this page was opened past the proxy: open it at {base}/"
    return Finding("Host", facts.host, base.netloc, remedy)


def _expected_origin(facts: SeenRequest) -> str:
    """Where a form must come from."""
    return settings.BASE_URL.origin or f"{'https' if facts.is_https else 'http'}://{facts.host}"


def _browser(facts: SeenRequest) -> Finding:
    base, expected = settings.BASE_URL, _expected_origin(facts)
    remedy = ""
    if facts.browser and facts.browser != expected:
        remedy = f"People open it at {facts.browser}. Set BUILDLOG_BASE_URL={facts.browser}{base.path}"
        if base:
            remedy += f", or open it at {base}/"
    return Finding("Address in the browser", facts.browser or "not told", expected, remedy)


def _sub_path(facts: SeenRequest) -> Finding:
    base = settings.BASE_URL
    is_passed_on = base.path and f"{facts.path}/".startswith(f"{base.path}/")
    seen = "passed on" if is_passed_on else "taken off by the proxy" if base.path else "none"
    if facts.forwarded_prefix and facts.forwarded_prefix != base.path:
        placed = f"{base.origin if base else suggested_base_url(facts).removesuffix(facts.forwarded_prefix)}"
        remedy = f"The proxy serves it under another path. Set BUILDLOG_BASE_URL={placed}{facts.forwarded_prefix}"
        return Finding("Sub-path", f"X-Forwarded-Prefix: {facts.forwarded_prefix}", base.path or "none", remedy)
    return Finding("Sub-path", seen, f"{base.path}, passed on or taken off" if base.path else "none")


def _client(facts: SeenRequest) -> Finding:
    seen = f"{facts.client or 'this machine'}, from {facts.peer or 'a local socket'}"
    if facts.forwarded_for:
        seen += f", X-Forwarded-For: {facts.forwarded_for}"
    remedy = ""
    if not settings.BASE_URL:
        return Finding("Address of the client", seen, "the address it connects from")
    if facts.forwarded_for and not facts.is_trusted:
        remedy = _trust(facts)
    elif not facts.forwarded_for:
        remedy = f"Everybody seems to come from the proxy's address. In nginx: {PASS_ON['client']}"
    elif facts.client == facts.peer and facts.forwarded_for.split(",")[-1].strip() != facts.peer:
        remedy = f"The last word in X-Forwarded-For must be an IP address without a port. In nginx: {PASS_ON['client']}"
    return Finding("Address of the client", seen, "one address, named by the proxy", remedy)


def _cookies(facts: SeenRequest) -> Finding:
    base = settings.BASE_URL
    secure = "HTTPS only" if settings.SESSION_COOKIE_SECURE else "also without HTTPS"
    seen = f"{settings.SESSION_COOKIE_NAME}, {secure}, path {settings.SESSION_COOKIE_PATH}"
    remedy = ""
    if facts.forwarded_proto == "https" and not settings.SESSION_COOKIE_SECURE:
        remedy = f"They could be read on an unencrypted way. Set BUILDLOG_BASE_URL={suggested_base_url(facts)}"
    elif base.is_https and facts.forwarded_proto == "http":
        remedy = f"Browsers send them over HTTPS only, so nobody can sign in here. Open it at {base}/"
    return Finding("Cookies", seen, f"HTTPS only, path {base.path}/" if base.is_https else f"path {base.path}/", remedy)


def _name(host: str) -> str:
    return host.rsplit(":", 1)[0].lower() if not host.endswith("]") else host.lower()


def why_a_form_was_refused(request: HttpRequest) -> tuple[str, str]:
    """What is wrong with a refused form, in a sentence, and what its sender can do."""
    facts, base = seen_request(request), settings.BASE_URL
    # Over http the browser keeps cookies back that may go over HTTPS only, and then the form has no match.
    has_cookie = settings.CSRF_COOKIE_NAME in request.COOKIES
    if base.is_https and not has_cookie and facts.browser != base.origin:
        return "This log takes forms over HTTPS only, and this one came another way.", f"Open the log at {base}/"
    expected = _expected_origin(facts)
    if facts.browser and facts.browser != expected:
        wrong = f"The form came from {facts.browser}, but this log is set up for {expected}."
        if base:
            return wrong, f"Open it at {base}/. If it has moved, set BUILDLOG_BASE_URL={facts.browser}{base.path}"
        return wrong, f"If a proxy stands before it, set BUILDLOG_BASE_URL={suggested_base_url(facts)}"
    if not has_cookie:
        return "The browser sent no cookie along.", "Allow cookies for this address, load the form again and send it."
    return "The form was older than this sign-in.", "Go back, load the page again and send it; what you typed is there."


def why_a_page_is_missing(request: HttpRequest) -> str:
    """A sentence if the address would be one of ours without its beginning: then the sub-path is set wrong."""
    path = request.path_info
    for _ in range(3):
        begin, slash, rest = path[1:].partition("/")
        if not slash or not begin:
            return ""
        path = f"/{rest}"
        try:
            match = resolve(path)
        except Resolver404:
            continue
        sub_path = request.path_info.removesuffix(path)
        # Every address ends in the first page's; only behind a proxy, and alone, does that mean something.
        if match.url_name == "home" and (sub_path.count("/") > 1 or not seen_request(request).is_forwarded):
            return ""
        named = f"BUILDLOG_BASE_URL names {settings.BASE_URL.path or 'no path'}" if settings.BASE_URL else "none is set"
        return f"If this log is meant to live under {sub_path}, BUILDLOG_BASE_URL must end in {sub_path}; now {named}."
    return ""
