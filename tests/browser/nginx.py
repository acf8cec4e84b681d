"""A real nginx with a test certificate on a free loopback port, started by a test and ended by it."""

import base64
import contextlib
import hashlib
import os
import shutil
import signal
import socket
import subprocess
import time
from pathlib import Path

import pytest

from tests.browser.installation import free_port
from tests.documents import block

NAME = "home.example"
PASSED_ON = """
proxy_set_header Host $http_host;
proxy_set_header X-Forwarded-Proto $scheme;
proxy_set_header X-Forwarded-For $proxy_add_x_forwarded_for;
client_max_body_size 512m;
"""
# What some proxies do to answers on their way: pack them, which weakens their entity tags, or drop the tags.
PACKED = "gzip on; gzip_proxied any; gzip_types application/json; gzip_min_length 1;"
WITHOUT_TAGS = "proxy_hide_header ETag;"


def make_certificate(folder):
    """By the help's own commands, an authority and its certificate for the name, and here for loopback too.

    Returns the files of authority, certificate and key, and the key's hash.
    """
    commands = block("authority").replace("IP:192.168.1.20", "DNS:localhost,IP:127.0.0.1")
    assert "DNS:localhost" in commands
    subprocess.run(["bash", "-euo", "pipefail", "-c", commands], cwd=folder, check=True, capture_output=True)
    authority, certificate, key = (folder / name for name in ("authority.crt", f"{NAME}.crt", f"{NAME}.key"))
    der = subprocess.run(["openssl", "pkey", "-in", key, "-pubout", "-outform", "DER"], check=True, capture_output=True)
    return authority, certificate, key, base64.b64encode(hashlib.sha256(der.stdout).digest()).decode()


class Nginx:
    def __init__(self, folder):
        if shutil.which("nginx") is None and not Path("/usr/sbin/nginx").exists():
            pytest.skip(
                "No nginx is installed, so nothing was tried behind a proxy. On Debian: apt install nginx-light"
            )
        if shutil.which("openssl") is None:
            pytest.skip("No openssl is installed, so no test certificate was made. On Debian: apt install openssl")
        self.program = shutil.which("nginx") or "/usr/sbin/nginx"
        self.folder, self.port, self.plain_port = Path(folder), free_port(), free_port()
        self.authority, self.certificate, self.key, self.key_hash = make_certificate(self.folder)
        self.process = None

    def serve(self, upstream_port, location="/", passed_on=PASSED_ON, proxy_pass="", around=""):
        """Pass a location on to an installation over TLS."""
        target = proxy_pass or f"http://127.0.0.1:{upstream_port}"
        self.start(
            f"{around}\nserver {{ listen 127.0.0.1:{self.port} ssl; server_name {NAME};\n"
            f"ssl_certificate {self.certificate}; ssl_certificate_key {self.key};\n"
            f"location {location} {{ proxy_pass {target}; {passed_on} }} }}"
        )

    def serve_documented(self, upstream_port):
        """The block of the help on proxies, with the files and ports of this run put in."""
        servers = block("nginx block")
        for written, here in {
            "listen 443 ssl": f"listen 127.0.0.1:{self.port} ssl",
            "listen 80": f"listen 127.0.0.1:{self.plain_port}",
            "/etc/ssl/home.example.crt": str(self.certificate),
            "/etc/ssl/home.example.key": str(self.key),
            "127.0.0.1:8000": f"127.0.0.1:{upstream_port}",
        }.items():
            assert servers.count(written) == 1
            servers = servers.replace(written, here)
        self.start(servers)

    def start(self, servers):
        self.stop()
        # As root, the workers would otherwise be somebody who may not enter the test's folder.
        user = "user root;" if os.geteuid() == 0 else ""
        temporary = "".join(f"{kind}_temp_path {self.folder}/{kind};\n" for kind in
                            ("client_body", "proxy", "fastcgi", "uwsgi", "scgi"))  # fmt: skip
        path = self.folder / "nginx.conf"
        path.write_text(
            f"daemon off; worker_processes 1; pid {self.folder}/nginx.pid; error_log stderr warn; {user}\n"
            f"events {{ worker_connections 64; }}\nhttp {{ access_log off;\n{temporary}{servers}\n}}\n"
        )
        text = open(self.folder / "nginx.log", "w")  # noqa: SIM115  (nginx keeps it)
        command = [self.program, "-p", str(self.folder), "-c", str(path), "-e", "stderr"]
        self.process = subprocess.Popen(command, start_new_session=True, stdout=text, stderr=text)
        text.close()
        for _ in range(100):
            with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", self.port), timeout=1):
                return
            assert self.process.poll() is None, (self.folder / "nginx.log").read_text()
            time.sleep(0.05)
        raise RuntimeError("nginx did not start.")

    def stop(self):
        if self.process is not None:
            os.killpg(self.process.pid, signal.SIGTERM)
            self.process.wait(timeout=10)
            self.process = None
