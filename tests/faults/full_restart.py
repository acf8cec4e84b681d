"""A server that is started again on a full disk: `python -m tests.faults.full_restart`, where the data folder is one.

Prints what it answered, and what it said where it did not start, as JSON.
"""

import http.cookiejar
import json
import os
import re
import shutil
import sys
import time
import urllib.error
import urllib.parse
import urllib.request
from pathlib import Path

from tests.processes import Process
from tests.servers import free_port

DATA = Path(os.environ["BUILDLOG_DATA_DIR"])


class Server:
    def __init__(self):
        self.base = f"http://127.0.0.1:{free_port()}"
        command = [sys.executable, "manage.py", "serve", "--workers", "1", "--port", self.base.rpartition(":")[2]]
        self.process = Process(command)
        cookies = urllib.request.HTTPCookieProcessor(http.cookiejar.CookieJar())
        self.browser = urllib.request.build_opener(cookies)

    def answers(self):
        """Whether it comes to serve; else it has ended."""
        while self.process.poll() is None:
            if self.status("/sign-in/"):
                return True
            time.sleep(0.1)
        return False

    def status(self, path, form=None):
        body = urllib.parse.urlencode(form).encode() if form else None
        try:
            with self.browser.open(f"{self.base}{path}", body) as answer:
                self.text = answer.read().decode()
                return answer.status
        except urllib.error.HTTPError as error:
            return error.code
        except OSError:
            return 0

    def sign_in(self):
        self.status("/sign-in/")
        token = re.search(r'name="csrfmiddlewaretoken" value="(\w+)"', self.text)[1]
        form = {"username": "mara", "password": "frost-and-chain-77", "csrfmiddlewaretoken": token}
        return self.status("/sign-in/", form), "Sign out" in self.text

    def stop(self):
        return self.process.stop(), self.process.returncode


def fill():
    with (DATA / "filler").open("ab") as file:
        free = os.statvfs(DATA)
        if free.f_bavail:
            os.posix_fallocate(file.fileno(), file.tell(), free.f_bavail * free.f_frsize)
    return os.statvfs(DATA).f_bavail


def main():
    first = Server()
    assert first.answers(), first.stop()
    stopped = first.stop()[1]
    # Everything is there, and the disk is filled while the server is off.
    left_blocks = fill()
    second = Server()
    answers = second.answers()
    figures = {
        "first stop": stopped,
        "blocks left": left_blocks,
        "started on a full disk": answers,
        "signed in": second.sign_in() if answers else None,
        "pages": [second.status(path) for path in ("/", "/failures/", "/sessions/", "/api/v1/field/")],
        "health": second.status("/health/"),
    }
    text, figures["second stop"] = second.stop()
    figures["said"] = [line for line in text.splitlines() if "full" in line and "left out" not in line]
    figures["traces"] = text.count("Traceback")
    # The room that was put by is used up too.
    fill()
    third = Server()
    assert not third.answers()
    figures["nothing left"] = third.stop()
    # A new version's static files do not fit.
    for folder in DATA.glob("static-*"):
        shutil.rmtree(folder)
    fill()
    os.truncate(DATA / "filler", (DATA / "filler").stat().st_size - 1024 * 1024)
    fourth = Server()
    assert not fourth.answers()
    figures["no room for static files"] = fourth.stop()
    return figures


if __name__ == "__main__":
    print(json.dumps(main(), indent=1))
