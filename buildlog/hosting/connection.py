"""What a request brought along on its way here, what was expected, and the mend where they differ."""

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
SHOWN = (
    *("Host", "Forwarded", "Via", "X-Real-Ip", "Origin", "Referer"),
    *(f"X-Forwarded-{word}" for word in ("For", "Proto", "Host", "Port", "Prefix")),
)
PASS_ON = {
    "scheme": "proxy_set_header X-Forwarded-Proto $scheme;",
    "host": "proxy_set_header Host $http_host;",
    "client": "proxy_set_header X-Forwarded-For $proxy_add_x_forwarded_for;",
}


@dataclass(frozen=True)
class Arrived:
    """The facts of one request; plain text and truth, so that they can be sent as JSON."""

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
    arrived: str
    expected: str
    mend: str = ""  # "" when it is as expected


def arrived(request: HttpRequest) -> Arrived:
    sent = request.META
    # The page before is one of ours only where the browser says so.
    before = sent.get("HTTP_REFERER", "") if sent.get("HTTP_SEC_FETCH_SITE") == "same-origin" else ""
    return Arrived(
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


def headers_shown(request: HttpRequest) -> list[tuple[str, str]]:
    sent = {name: text for name, text in request.headers.items() if name.title() in SHOWN}
    if request.META.get(NOT_BELIEVED):
        sent["X-Forwarded-Proto"] = request.META[NOT_BELIEVED]
    if "Referer" in sent:
        sent["Referer"] = _origin(sent["Referer"])
    return sorted((name, masked(text)) for name, text in sent.items())


def _origin(address: str) -> str:
    """Where a page is, without which page it is: its path may be a link that lets somebody in."""
    try:
        where = urlsplit(address)
    except ValueError:
        return ""
    return f"{where.scheme}://{where.netloc.rpartition('@')[2]}" if where.scheme and where.netloc else ""


def findings(facts: Arrived) -> list[Finding]:
    return [_encryption(facts), _host(facts), _browser(facts), _sub_path(facts), _client(facts), _cookies(facts)]


def mistakes(facts: Arrived) -> list[Finding]:
    return [one for one in findings(facts) if one.mend]


def suggested_base_url(facts: Arrived) -> str:
    scheme = "https" if facts.forwarded_proto == "https" else "http"
    return (facts.browser or f"{scheme}://{facts.host}") + facts.forwarded_prefix


def _trust(facts: Arrived) -> str:
    return (
        f"The proxy at {facts.peer} is not trusted, so what it says is not believed. If it is yours, set "
        f"BUILDLOG_TRUSTED_PROXIES={facts.peer}"
    )


def _encryption(facts: Arrived) -> Finding:
    base = settings.BASE_URL
    came = "https" if facts.is_https else "http"
    says = f"{came}, X-Forwarded-Proto: {facts.forwarded_proto}" if facts.forwarded_proto else came
    mend = ""
    if base.is_https and not facts.is_https:
        if facts.forwarded_proto == "https" and not facts.is_trusted:
            mend = _trust(facts)
        elif facts.forwarded_proto == "http":
            mend = f"It was opened over http. Open it at {base}/ and let the proxy lead http there."
        elif facts.forwarded_proto:
            mend = f"The proxy must send one word, https. In nginx: {PASS_ON['scheme']}"
        else:
            mend = f"The proxy does not say that people come over https. In nginx: {PASS_ON['scheme']}"
    elif not base.is_https and facts.forwarded_proto == "https":
        mend = f"People come over https, but no setting says so. Set BUILDLOG_BASE_URL={suggested_base_url(facts)}"
    return Finding("Encryption", says, base.scheme or "http", mend)


def _host(facts: Arrived) -> Finding:
    base = settings.BASE_URL
    if not base:
        expected = ", ".join(settings.ALLOWED_HOSTS)
        mend = ""
        if facts.is_forwarded:
            mend = f"It seems to stand behind a proxy. Set BUILDLOG_BASE_URL={suggested_base_url(facts)}"
        elif _name(facts.host) not in settings.ALLOWED_HOSTS:
            mend = f"It does not answer to this name. Set BUILDLOG_HOSTS={_name(facts.host)}"
        return Finding("Host", facts.host, expected, mend)
    mend = ""
    if facts.host.lower() not in (base.netloc, f"{base.host}:{'443' if base.is_https else '80'}"):
        mend = f"The proxy puts another name in place of the one people open. In nginx: {PASS_ON['host']}"
        if not facts.is_forwarded:
            mend += f" Or this page was opened past the proxy: open it at {base}/"
    return Finding("Host", facts.host, base.netloc, mend)


def _expected_origin(facts: Arrived) -> str:
    """Where a form must come from."""
    return settings.BASE_URL.origin or f"{'https' if facts.is_https else 'http'}://{facts.host}"


def _browser(facts: Arrived) -> Finding:
    base, expected = settings.BASE_URL, _expected_origin(facts)
    mend = ""
    if facts.browser and facts.browser != expected:
        mend = f"People open it at {facts.browser}. Set BUILDLOG_BASE_URL={facts.browser}{base.path}"
        if base:
            mend += f", or open it at {base}/"
    return Finding("Address in the browser", facts.browser or "not told", expected, mend)


def _sub_path(facts: Arrived) -> Finding:
    base = settings.BASE_URL
    kept = base.path and f"{facts.path}/".startswith(f"{base.path}/")
    came = "passed on" if kept else "taken off by the proxy" if base.path else "none"
    if facts.forwarded_prefix and facts.forwarded_prefix != base.path:
        placed = f"{base.origin if base else suggested_base_url(facts).removesuffix(facts.forwarded_prefix)}"
        mend = f"The proxy serves it under another path. Set BUILDLOG_BASE_URL={placed}{facts.forwarded_prefix}"
        return Finding("Sub-path", f"X-Forwarded-Prefix: {facts.forwarded_prefix}", base.path or "none", mend)
    return Finding("Sub-path", came, f"{base.path}, passed on or taken off" if base.path else "none")


def _client(facts: Arrived) -> Finding:
    came = f"{facts.client or 'this machine'}, from {facts.peer or 'a local socket'}"
    if facts.forwarded_for:
        came += f", X-Forwarded-For: {facts.forwarded_for}"
    mend = ""
    if not settings.BASE_URL:
        return Finding("Address of the client", came, "the address it connects from")
    if facts.forwarded_for and not facts.is_trusted:
        mend = _trust(facts)
    elif not facts.forwarded_for:
        mend = f"Everybody seems to come from the proxy's address. In nginx: {PASS_ON['client']}"
    elif facts.client == facts.peer and facts.forwarded_for.split(",")[-1].strip() != facts.peer:
        mend = f"The last word in X-Forwarded-For must be an IP address without a port. In nginx: {PASS_ON['client']}"
    return Finding("Address of the client", came, "one address, named by the proxy", mend)


def _cookies(facts: Arrived) -> Finding:
    base = settings.BASE_URL
    secure = "HTTPS only" if settings.SESSION_COOKIE_SECURE else "also without HTTPS"
    came = f"{settings.SESSION_COOKIE_NAME}, {secure}, path {settings.SESSION_COOKIE_PATH}"
    mend = ""
    if facts.forwarded_proto == "https" and not settings.SESSION_COOKIE_SECURE:
        mend = f"They could be read on an unencrypted way. Set BUILDLOG_BASE_URL={suggested_base_url(facts)}"
    elif base.is_https and facts.forwarded_proto == "http":
        mend = f"Browsers send them over HTTPS only, so nobody can sign in here. Open it at {base}/"
    return Finding("Cookies", came, f"HTTPS only, path {base.path}/" if base.is_https else f"path {base.path}/", mend)


def _name(host: str) -> str:
    return host.rsplit(":", 1)[0].lower() if not host.endswith("]") else host.lower()


def why_a_form_was_refused(request: HttpRequest) -> tuple[str, str]:
    """For whoever sent it: what is wrong in a sentence, and what to do."""
    facts, base = arrived(request), settings.BASE_URL
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
    """Says when an address would be one of ours without its beginning: then a sub-path is set wrong."""
    path = request.path_info
    for _ in range(3):
        begin, slash, rest = path[1:].partition("/")
        if not slash or not begin:
            return ""
        path = f"/{rest}"
        try:
            found = resolve(path)
        except Resolver404:
            continue
        sub_path = request.path_info.removesuffix(path)
        # Every address ends in the first page's; only behind a proxy, and alone, does that mean something.
        if found.url_name == "home" and (sub_path.count("/") > 1 or not arrived(request).is_forwarded):
            return ""
        named = f"BUILDLOG_BASE_URL names {settings.BASE_URL.path or 'no path'}" if settings.BASE_URL else "none is set"
        return f"If this log is meant to live under {sub_path}, BUILDLOG_BASE_URL must end in {sub_path}; now {named}."
    return ""
