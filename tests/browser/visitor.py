"""A visitor without a browser: keeps cookies, fills forms, and looks at every answer of every redirect."""

import gzip
import html
import http.client
import json
import re
import socket
import ssl
from http.cookies import SimpleCookie
from urllib.parse import urlencode, urljoin, urlsplit

from tests.browser.installation import PASSWORD

FROM = "127.0.0.9"


class _ToLoopback(http.client.HTTPSConnection):
    """Any name leads to this machine; the certificate is still looked at under that name."""

    def connect(self):
        # From another loopback address than a proxy on this machine, so that the two can be told apart.
        reached = socket.create_connection(("127.0.0.1", self.port), timeout=60, source_address=(FROM, 0))
        self.sock = self._context.wrap_socket(reached, server_hostname=self.host)


class Answer:
    def __init__(self, url, answer):
        self.url, self.status, self.headers = url, answer.status, answer.headers
        self.body = answer.read()
        if self.headers["Content-Encoding"] == "gzip":
            self.body = gzip.decompress(self.body)

    @property
    def text(self):
        return html.unescape(self.body.decode())

    @property
    def data(self):
        return json.loads(self.body)

    @property
    def leads_to(self):
        return urljoin(self.url, self.headers["Location"])


class Visitor:
    def __init__(self, base, certificate):
        self.base = base
        self.trust = ssl.create_default_context(cafile=str(certificate))
        self.cookies = {}  # name: (value, the attributes it came with)

    def ask(self, path, form=None, method=None, content=None, **headers):
        url = path if "://" in path else self.base + path
        parts = urlsplit(url)
        connection = _ToLoopback(parts.hostname, parts.port, context=self.trust)
        headers = {name.replace("_", "-"): value for name, value in headers.items() if value is not None}
        kept = [f"{name}={value}" for name, (value, values) in self.cookies.items()
                if f"{parts.path}/".startswith(values["path"])]  # fmt: skip
        body = None
        if form is not None:
            body = urlencode(form)
            headers = {"Content-Type": "application/x-www-form-urlencoded", **headers}
        if content is not None:
            body = json.dumps(content)
            token = next(value for name, (value, _) in self.cookies.items() if "csrf" in name)
            headers = {"Content-Type": "application/json", "X-CSRFToken": token, "Referer": url, **headers}
        target = parts.path + (f"?{parts.query}" if parts.query else "")
        connection.request(method or ("GET" if form is None else "POST"), target, body,
                           {**({"Cookie": "; ".join(kept)} if kept else {}), **headers})  # fmt: skip
        answer = Answer(url, connection.getresponse())
        connection.close()
        for line in answer.headers.get_all("Set-Cookie") or []:
            for name, values in SimpleCookie(line).items():
                if str(values["max-age"]) == "0":
                    self.cookies.pop(name, None)
                else:
                    self.cookies[name] = (values.value, values)
        return answer

    def send(self, path, form, **headers):
        """Fill in the form of a page and send it as a browser does."""
        page = self.ask(path)
        token = re.search(r'name="csrfmiddlewaretoken" value="([^"]+)"', page.text).group(1)
        origin = "{0.scheme}://{0.netloc}".format(urlsplit(self.base))
        headers = {"Origin": origin, "Referer": page.url, **headers}
        return self.ask(path, {"csrfmiddlewaretoken": token, **form}, **headers)

    def sign_in(self, name="ilo", **headers):
        return self.send("/sign-in/", {"username": name, "password": PASSWORD}, **headers)
