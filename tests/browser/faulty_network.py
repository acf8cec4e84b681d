"""A network between the browser and the server that fails on request."""

import http.client
import threading
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

PORTAL_PAGE = b"<!doctype html><title>Welcome</title><h1>Accept the terms of this Wi-Fi</h1>"


class FaultyNetwork:
    """A proxy on loopback. `fault(method, path)` names what goes wrong with a request, or "" for nothing.

    "lost reply": the server does its work and the answer never arrives. "down": nothing arrives.
    "portal": somebody else answers with a page. "redirect": somebody else sends the browser away.
    "bad gateway": a proxy answers for a server that is gone. "too large": a proxy takes nothing of this size.
    "server error": the server fails at it.
    """

    def __init__(self, server_port):
        self.fault = lambda method, path: ""
        self.seen = []
        network = self

        class Handler(BaseHTTPRequestHandler):
            def handle_one_request(self):
                super().handle_one_request()
                self.close_connection = True

            def log_message(self, *_):
                pass

            def _carry(self):
                body = self.rfile.read(int(self.headers.get("Content-Length") or 0))
                fault = network.fault(self.command, self.path)
                network.seen.append((self.command, self.path, fault))
                if fault == "down":
                    return self.connection.close()
                if fault == "portal":
                    return self._answer(200, {"Content-Type": "text/html"}, PORTAL_PAGE)
                if fault == "redirect":
                    return self._answer(302, {"Location": "http://portal.test/terms"}, b"")
                if fault == "bad gateway":
                    return self._answer(502, {"Content-Type": "text/html"}, b"<h1>502</h1>")
                if fault == "too large":
                    return self._answer(413, {"Content-Type": "text/html"}, b"<h1>413 Request Entity Too Large</h1>")
                if fault == "server error":
                    return self._answer(500, {"Content-Type": "text/html"}, b"<h1>Server Error (500)</h1>")
                upstream = http.client.HTTPConnection("127.0.0.1", server_port, timeout=60)
                try:
                    upstream.request(self.command, self.path, body, dict(self.headers))
                    answer = upstream.getresponse()
                    content = answer.read()
                except OSError:
                    return self.connection.close()
                if fault == "lost reply":
                    return self.connection.close()
                headers = [(name, value) for name, value in answer.getheaders() if name.lower() not in (
                    "transfer-encoding", "connection", "content-length")]  # fmt: skip
                self._answer(answer.status, headers, content)

            def _answer(self, status, headers, content):
                self.send_response_only(status)
                for name, value in headers.items() if isinstance(headers, dict) else headers:
                    self.send_header(name, value)
                self.send_header("Content-Length", str(len(content)))
                self.end_headers()
                self.wfile.write(content)

            do_GET = do_PUT = do_PATCH = do_POST = do_DELETE = do_HEAD = _carry

        class Quiet(ThreadingHTTPServer):
            daemon_threads = True
            # Chromium opens many at once; what finds no room comes again only after a second.
            request_queue_size = 64

            def handle_error(self, *_):
                pass

        self.server = Quiet(("127.0.0.1", 0), Handler)
        self.port = self.server.server_address[1]
        # Looks so often whether it is to end, which each test waits for.
        threading.Thread(target=self.server.serve_forever, args=[0.05], daemon=True).start()

    @property
    def url(self):
        return f"http://127.0.0.1:{self.port}"

    def close(self):
        self.server.shutdown()
        self.server.server_close()

    def puts(self, kind):
        return [item for item in self.seen if item[0] == "PUT" and f"/{kind}/" in item[1]]
