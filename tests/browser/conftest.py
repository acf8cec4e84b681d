"""A real browser against a live server."""

import os
import shutil
from pathlib import Path

import pytest
from django.conf import settings
from django.db import connection
from playwright.sync_api import expect

from buildlog.hosting.module_bundle import minified
from tests import data_folders, migrated_databases
from tests.browser.chromium import FLAGS, installed_chromium
from tests.browser.sizes import SIZES
from tests.browser.waits import LONGEST_ACTION_S, LONGEST_WAIT_S

expect.set_options(timeout=1000 * LONGEST_WAIT_S)

# Playwright drives its own event loop in this thread; the live server's database work is elsewhere.
os.environ.setdefault("DJANGO_ALLOW_ASYNC_UNSAFE", "true")


@pytest.fixture(scope="session")
def browser():
    path = installed_chromium()
    if path is None:
        pytest.skip("No Chromium is installed, so pages were not tried in a browser. On Debian: apt install chromium")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        launched = playwright.chromium.launch(executable_path=path, args=FLAGS)
        launched.on("context", lambda context: context.set_default_timeout(1000 * LONGEST_ACTION_S))
        yield launched
        launched.close()


@pytest.fixture(scope="module")
def script(browser):
    """Runs an expression with the field page's modules of calculations at hand, each under its own name."""
    opened = browser.new_page()
    folder = Path(__file__).parents[2] / "static/field"

    def answer(route):
        name = route.request.url.rpartition("/")[2]
        body, kind = (
            (minified((folder / name).read_text()), "text/javascript") if name else ("<title>x</title>", "text/html")
        )
        route.fulfill(body=body, content_type=kind)

    opened.route("http://modules.test/*", answer)
    opened.goto("http://modules.test/")
    for name in (
        "numbers",
        "energy",
        "limits",
        "way",
        "crossings",
        "clock_comparison",
        "session_clock",
        "batch_size",
        "merge",
    ):
        opened.evaluate(f"async () => {{ globalThis.{name} = await import('http://modules.test/{name}.js'); }}")
    yield opened.evaluate
    opened.close()


@pytest.fixture(params=SIZES)
def page(request, browser):
    """A page of each size that fails the test on any error of script, console or content policy."""
    width, height = SIZES[request.param]
    context = browser.new_context(viewport={"width": width, "height": height}, has_touch=request.param == "phone")
    opened = context.new_page()
    complaints = []
    opened.on("pageerror", lambda error: complaints.append(str(error)))
    opened.on("console", lambda item: complaints.append(item.text) if item.type == "error" else None)
    opened.size_name = request.param
    yield opened
    context.close()
    # The form that was refused on purpose answers 422 or 409, which the console calls an error.
    assert [text for text in complaints if "422" not in text and "409" not in text] == []


@pytest.fixture
def photograph(page):
    """Keeps a picture of the page where FIRNLOG_PICTURES names a folder, to be looked at."""

    def take(name):
        folder = os.environ.get("FIRNLOG_PICTURES")
        if folder:
            Path(folder).mkdir(parents=True, exist_ok=True)
            page.screenshot(path=f"{folder}/{page.size_name}-{name}.png", full_page=True)

    return take


@pytest.fixture
def photograph_phone():
    """Pictures of the field page in light and dark, where FIRNLOG_PICTURES names a folder."""

    def take(phone, name, page=None):
        folder = os.environ.get("FIRNLOG_PICTURES")
        page = page or phone.page
        for scheme in ("light", "dark") if folder else ():
            Path(folder).mkdir(parents=True, exist_ok=True)
            page.emulate_media(color_scheme=scheme)
            page.screenshot(path=f"{folder}/{name}-{scheme}.png", full_page=True)

    return take


@pytest.fixture(scope="session")
def folder_of_the_season(folder_of_the_run, migrated):
    """The data folder of an installation with the invented season and nothing else; not to be changed."""
    return migrated_databases.filled_once(folder_of_the_run / "season", migrated, data_folders.load_season)


@pytest.fixture
def machine_of_the_season(request, transactional_db, media_of_its_own):
    """The machine of the invented season, which is in this test's database with all its records and pictures."""
    if connection.vendor == "sqlite":
        folder = request.getfixturevalue("folder_of_the_season")
        migrated_databases.copy_into(connection, folder / "buildlog.sqlite3")
        shutil.copytree(folder / "media", settings.MEDIA_ROOT)
    else:
        from sessions.demo import loading

        loading.load()
    from buildlog.models import Vehicle

    return Vehicle.objects.get()


@pytest.fixture
def signed_in(page, live_server, make_account, client):
    """Signs the browser in under a role; the form of sign-in is filled in where a test is about it."""

    def enter(role):
        account = make_account(role, "ilo")
        client.force_login(account, settings.AUTHENTICATION_BACKENDS[-1])
        cookie = client.cookies[settings.SESSION_COOKIE_NAME]
        page.context.add_cookies([{"name": cookie.key, "value": cookie.value, "url": live_server.url}])
        return account

    return enter


@pytest.fixture(scope="session")
def filled_installation(folder_of_the_run, migrated):
    """The data folder of an installation with a little in it, made once for all workers, to be copied by each test."""
    from tests.browser.installation import Installation

    return migrated_databases.filled_once(
        folder_of_the_run / "filled", migrated, lambda folder: Installation(folder).fill()
    )


@pytest.fixture(scope="session")
def running_installation(filled_installation, tmp_path_factory):
    from tests.browser.installation import Installation

    folder = tmp_path_factory.mktemp("running") / "data"
    made = Installation.copy_of(filled_installation, folder).start()
    yield made
    made.kill()


@pytest.fixture
def installation(running_installation, filled_installation):
    """An installation with one machine, one venue and two people, as it was before any test."""
    if running_installation.process is None:
        running_installation.start()
    running_installation.reset(filled_installation)
    return running_installation


@pytest.fixture(scope="session")
def nginx(tmp_path_factory):
    from tests.browser.nginx import Nginx

    made = Nginx(tmp_path_factory.mktemp("nginx"))
    yield made
    made.stop()


@pytest.fixture(scope="session")
def filled_under(folder_of_the_run, filled_installation):
    """The same by a sub-path. Its static files have other addresses, so that they are collected anew, which is slow."""
    from tests.browser.installation import COLLECT, Installation
    from tests.browser.nginx import NAME

    def under(path):
        def make(folder):
            copied = Installation.copy_of(filled_installation, folder, BUILDLOG_BASE_URL=f"https://{NAME}{path}")
            done = copied.run("shell", "--verbosity=0", "-c", COLLECT)
            assert done.returncode == 0, done.stdout

        if path == "":
            return filled_installation
        return migrated_databases.made_once(folder_of_the_run / f"filled{path.replace('/', '-')}", make)

    return under


@pytest.fixture(scope="session")
def sites(filled_under, tmp_path_factory, nginx):
    """Installations behind nginx by their sub-path, started when first asked for."""
    from tests.browser.installation import Installation
    from tests.browser.nginx import NAME

    made = {}

    def at(path):
        if path not in made:
            folder = tmp_path_factory.mktemp("behind") / "data"
            base = f"https://{NAME}:{nginx.port}{path}"
            made[path] = Installation.copy_of(filled_under(path), folder, BUILDLOG_BASE_URL=base).start()
            made[path].base = base
        return made[path]

    yield at
    for value in made.values():
        value.kill()


@pytest.fixture
def network(installation):
    from tests.browser.faulty_network import FaultyNetwork

    made = FaultyNetwork(installation.port)
    yield made
    made.close()


@pytest.fixture
def phones(browser, network):
    from tests.browser.phone import SCREEN, Phone

    opened = []

    def make(**options):
        context = browser.new_context(**SCREEN, **options)
        opened.append(context)
        return Phone(context, network.url)

    yield make
    for context in opened:
        context.close()


@pytest.fixture
def phone(phones, installation):
    made = phones().signed_in(installation)
    yield made
    assert made.errors == []
