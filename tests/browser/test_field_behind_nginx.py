"""A browser over TLS behind a real nginx: the field page without a network, at the root and under a sub-path."""

import pytest
from playwright.sync_api import expect

from tests.browser.chromium import FLAGS, installed_chromium
from tests.browser.nginx import NAME, PACKED, PASSED_ON, WITHOUT_TAGS
from tests.browser.phone import SCREEN, Phone
from tests.browser.visitor import Visitor


@pytest.fixture(scope="module")
def trusting_browser(browser, nginx):
    """Trusts the one test certificate, as a phone does that has it installed: a browser that merely passes
    over certificate errors keeps no page."""
    flags = [*FLAGS, f"--host-resolver-rules=MAP {NAME} 127.0.0.1"]
    flags.append(f"--ignore-certificate-errors-spki-list={nginx.key_hash}")
    launched = browser.browser_type.launch(executable_path=installed_chromium(), args=flags)
    yield launched
    launched.close()


@pytest.fixture
def opened(trusting_browser):
    contexts, complaints = [], []

    def at(url):
        context = trusting_browser.new_context(**SCREEN)
        contexts.append(context)
        phone = Phone(context, url)
        phone.page.on("console", lambda item: complaints.append(item.text) if item.type == "error" else None)
        return phone

    yield at
    for context in contexts:
        context.close()
    # Without a network, the browser itself says of each request that it failed, and so it does of a refusal.
    assert [text for text in complaints if "ERR_INTERNET_DISCONNECTED" not in text and "412" not in text] == []


@pytest.fixture(params=["", "/firnlog"], ids=["root", "sub-path"])
def site(request, sites, nginx):
    made = sites(request.param)
    nginx.serve(made.port, location=f"{request.param}/")
    return made


def test_a_session_is_logged_without_a_network(site, opened):
    before = site.count("test_sessions_reading")
    phone = opened(site.base).sign_in().kept_for_offline()
    registered = "() => navigator.serviceWorker.getRegistration().then((one) => one.scope)"
    assert phone.page.evaluate(registered) == f"{site.base}/field/"
    phone.context.set_offline(True)
    phone.open()
    phone.start_session().read(voltage="52,4")
    phone.queue(3, 0)
    phone.context.set_offline(False)
    phone.page.evaluate("() => dispatchEvent(new Event('online'))")
    site.comes_to("test_sessions_reading", before + 1)
    phone.queue(0)
    assert phone.errors == []


def test_a_form_of_the_desk_pages_is_sent(site, opened):
    phone = opened(site.base).sign_in()
    phone.page.goto(f"{site.base}/vehicles/new/")
    phone.page.get_by_label("Name").fill("Sled over TLS")
    phone.page.get_by_role("button", name="Save").click()
    expect(phone.page.get_by_role("heading", name="Sled over TLS")).to_be_visible()
    assert phone.page.url.startswith(f"{site.base}/vehicles/")
    assert all(cookie["secure"] for cookie in phone.context.cookies())


def test_the_owner_looks_at_the_connection(site, opened):
    phone = opened(site.base).sign_in("oona")
    page = phone.page
    page.goto(f"{site.base}/settings/")
    page.get_by_role("link", name="Connection").click()
    expect(page.get_by_text("All as expected")).to_be_visible()
    # The browser's own word for where it is arrived as well.
    row = page.get_by_role("row", name="Address in the browser")
    expect(row).to_contain_text(site.base.removesuffix("/firnlog"))
    # Not against the window: a phone's grows with a page that is too wide.
    assert page.evaluate("() => document.documentElement.scrollWidth") == SCREEN["viewport"]["width"]


def test_two_logs_on_one_name_keep_apart(sites, nginx, opened):
    """At the root and under a sub-path of one name: what one phone keeps of the one never reaches the other."""
    root, inner = sites(""), sites("/firnlog")
    shared = "proxy_set_header Host $http_host; proxy_set_header X-Forwarded-Proto $scheme;"
    nginx.start(
        f"server {{ listen 127.0.0.1:{nginx.port} ssl; server_name {NAME};\n"
        f"ssl_certificate {nginx.certificate}; ssl_certificate_key {nginx.key}; {shared}\n"
        f"location / {{ proxy_pass http://127.0.0.1:{root.port}; }}\n"
        f"location /firnlog/ {{ proxy_pass http://127.0.0.1:{inner.port}; }} }}"
    )
    counts = root.count("test_sessions_reading"), inner.count("test_sessions_reading")
    phone = opened(root.base).sign_in().kept_for_offline()
    phone.context.set_offline(True)
    phone.start_session().read(voltage="51")
    phone.context.set_offline(False)
    other = Phone(phone.context, inner.base)
    other.page = phone.context.new_page()
    other.sign_in("mara").kept_for_offline()
    phone.page.evaluate("() => dispatchEvent(new Event('online'))")
    root.comes_to("test_sessions_reading", counts[0] + 1)
    assert inner.count("test_sessions_reading") == counts[1]
    names = other.page.evaluate("async () => (await indexedDB.databases()).map((one) => one.name).sort()")
    assert names == ["firnlog-field", "firnlog-field /firnlog/field/"]


def measure_after_the_end(phone, volts):
    phone.to("Measure it now")
    phone.page.get_by_role("textbox", name="Rest voltage after").fill(volts)
    phone.page.get_by_role("button", name="Save", exact=True).click()
    expect(phone.page.get_by_role("heading", name="Session ended")).to_be_visible()


def ended(site, opened):
    phone = opened(site.base).sign_in().kept_for_offline()
    phone.start_session().read(voltage="52,4").queue(0)
    phone.to("End")
    phone.page.get_by_role("button", name="End session").click()
    expect(phone.page.locator("p.queue")).to_contain_text("are on the server")
    return phone


@pytest.fixture(params=[PACKED, WITHOUT_TAGS], ids=["packed", "without tags"])
def behind(request, sites, nginx):
    made = sites("")
    nginx.serve(made.port, passed_on=PASSED_ON + request.param)
    return made


def test_a_phone_changes_a_record_again_and_again(behind, opened):
    """Behind gzip the second change of a record was called changed elsewhere."""
    phone = ended(behind, opened)
    for volts in ("51", "50,5"):
        measure_after_the_end(phone, volts)
        expect(phone.page.locator("p.queue")).to_contain_text("are on the server")
    assert [item["version"] for item in phone.kept("acknowledged") if not item["version"]] == []
    assert phone.kept() == []
    assert 50.5 in [row[0] for row in behind.rows("test_sessions_session", "rest_voltage_end_v")]


def test_a_phone_writes_over_nothing_that_the_desk_wrote_meanwhile(behind, opened, nginx):
    """Where a proxy drops the tag, the desk's words were overwritten without a word."""
    phone = ended(behind, opened)
    [key] = {item["session"] for item in phone.kept("acknowledged")}
    desk = Visitor(behind.base, nginx.authority)
    desk.sign_in("oona")
    path = f"/api/v1/sessions/{key}/"
    values = {"notes": "Bearing sang", "rest_voltage_end_v": 50.9, "version": desk.ask(path).data["version"]}
    assert desk.ask(path, method="PATCH", content=values).status == 200
    measure_after_the_end(phone, "51")
    phone.to("See what waits")
    differs = phone.page.locator("li.differs")
    expect(differs).to_contain_text("changed elsewhere")
    expect(differs).to_contain_text("50.9")
    expect(differs).to_contain_text("Yours: 51 V")
    # What only the desk changed is nothing to choose.
    expect(differs).not_to_contain_text("Bearing sang")
    assert desk.ask(path).data["notes"] == "Bearing sang"
    differs.get_by_role("button", name="Keep mine").click()
    expect(phone.page.locator("#field")).to_contain_text("Nothing waits")
    assert desk.ask(path).data["rest_voltage_end_v"] == 51
    assert desk.ask(path).data["notes"] == "Bearing sang"
