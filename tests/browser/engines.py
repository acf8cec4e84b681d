"""Browsers of other engines, driven by the standards' own protocols: WebKit by WebDriver, Firefox by WebDriver BiDi."""

import itertools
import json
import os
import shutil
import subprocess
import time

from tests.servers import free_port

STARTS_WITHIN_S = 60


class Firefox:
    """Firefox without a window. It speaks WebDriver BiDi (W3C) by itself."""

    def __init__(self, folder):
        self._folder, self._cookie = folder, None
        self._start()

    def _start(self):
        import websocket

        folder, port = self._folder, free_port()
        options = ["--headless", "--no-remote", "--profile", str(folder), f"--remote-debugging-port={port}"]
        (folder / "user.js").write_text('user_pref("app.update.enabled", false);\n')
        self._process = subprocess.Popen(
            ["firefox-esr", *options],
            env={**os.environ, "HOME": str(folder)},
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        self._numbers = itertools.count(1)
        until = time.monotonic() + STARTS_WITHIN_S
        while True:
            try:
                self._socket = websocket.create_connection(
                    f"ws://127.0.0.1:{port}/session", timeout=60, suppress_origin=True
                )
                break
            except OSError:
                if time.monotonic() > until:
                    raise
                time.sleep(0.2)
        self._ask("session.new", capabilities={})
        [context] = self._ask("browsingContext.getTree")["contexts"]
        self._context = context["context"]

    def _ask(self, method, **parameters):
        number = next(self._numbers)
        self._socket.send(json.dumps({"id": number, "method": method, "params": parameters}))
        while True:
            answer = json.loads(self._socket.recv())
            if answer.get("id") == number:
                break
        if answer["type"] == "error":
            raise RuntimeError(f"{method}: {answer['message']}")
        return answer["result"]

    def open(self, url):
        self._ask("browsingContext.navigate", context=self._context, url=url, wait="complete")

    def sign_in(self, cookie):
        self._cookie = cookie
        value = {"type": "string", "value": cookie["value"]}
        self._ask(
            "storage.setCookie", cookie={"name": cookie["name"], "value": value, "domain": "127.0.0.1", "path": "/"}
        )

    def sign_out(self):
        self._ask("storage.deleteCookies")

    def run(self, function):
        """What a function of the page gives, awaited."""
        answer = self._ask(
            "script.evaluate",
            expression=f"(async () => JSON.stringify((await ({function})()) ?? null))()",
            target={"context": self._context},
            awaitPromise=True,
        )
        if answer["type"] == "exception":
            raise RuntimeError(answer["exceptionDetails"]["text"])
        return json.loads(answer["result"]["value"])

    def start_anew(self):
        """Quits the browser and starts it again with what it kept on disk; a sign-in stays for weeks on a phone."""
        self.close()
        self._start()
        self.sign_in(self._cookie)

    def close(self):
        self._socket.close()
        self._process.terminate()
        self._process.wait(timeout=30)


class WebKit:
    """WebKitGTK, the engine of iPhones on Linux, on a screen that nobody sees."""

    def __init__(self, folder):
        from selenium import webdriver
        from selenium.webdriver.webkitgtk.options import Options
        from selenium.webdriver.webkitgtk.service import Service

        read, write = os.pipe()
        self._screen = subprocess.Popen(
            ["Xvfb", "-displayfd", str(write), "-screen", "0", "500x950x24", "-nolisten", "tcp"],
            pass_fds=[write], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        os.close(write)
        with os.fdopen(read) as text:
            display = text.readline().strip()
        options = Options()
        options.binary_location = browser_of_webkit()
        options.add_argument("--automation")
        service = Service(
            shutil.which("WebKitWebDriver"),
            env={
                **os.environ, "DISPLAY": f":{display}", "HOME": str(folder), "GDK_BACKEND": "x11",
                "XDG_RUNTIME_DIR": str(folder), "WEBKIT_DISABLE_SANDBOX_THIS_IS_DANGEROUS": "1",
                "WEBKIT_DISABLE_COMPOSITING_MODE": "1", "LIBGL_ALWAYS_SOFTWARE": "1", "GSETTINGS_BACKEND": "memory",
            },
        )  # fmt: skip
        self._driver = webdriver.WebKitGTK(options=options, service=service)
        self._driver.set_script_timeout(60)

    def open(self, url):
        self._driver.get(url)

    def sign_in(self, cookie):
        self._driver.get(f"{cookie['url']}/sign-in/")
        self._driver.add_cookie({"name": cookie["name"], "value": cookie["value"], "path": "/"})

    def sign_out(self):
        self._driver.delete_all_cookies()

    def run(self, function):
        """What a function of the page gives, awaited."""
        answer = self._driver.execute_async_script(
            f"const done = arguments[arguments.length - 1];"
            f"({function})().then((value) => done(JSON.stringify({{ value: value ?? null }})),"
            f" (error) => done(JSON.stringify({{ error: String(error) }})));"
        )
        answer = json.loads(answer)
        if "error" in answer:
            raise RuntimeError(answer["error"])
        return answer["value"]

    def start_anew(self):
        """Leaves the page; a browser that is driven by WebDriver keeps nothing over its end."""
        self._driver.get("about:blank")

    def close(self):
        self._driver.quit()
        self._screen.terminate()
        self._screen.wait(timeout=30)


def browser_of_webkit():
    """The small browser that Debian packs with the engine's library."""
    from pathlib import Path

    return next((str(path) for path in Path("/usr/lib").glob("*/webkit2gtk-4.*/MiniBrowser")), None)


ENGINES = {
    "firefox": (Firefox, lambda: shutil.which("firefox-esr")),
    "webkit": (WebKit, lambda: shutil.which("WebKitWebDriver") and shutil.which("Xvfb") and browser_of_webkit()),
}
