"""The main cases of the field page in WebKit, the engine of iPhones, and in Firefox."""

import time

import pytest

from tests.browser.engines import ENGINES

INSTALL = "On Debian: apt install firefox-esr webkit2gtk-driver xvfb"

# Waits until a function gives something, and gives it.
UNTIL = """const until = async (find, what) => {
    for (let tries = 0; tries < 300; tries += 1) {
        const found = await find();
        if (found) return found;
        await new Promise((resolve) => setTimeout(resolve, 100));
    }
    throw new Error(`${what} did not come; the page says: ${document.body.innerText.slice(-800)}`);
};
const press = async (text) => {
    const find = () => [...document.querySelectorAll("#field a, #field button, #field label, #said button")]
        .find((one) => one.textContent.trim().startsWith(text) && !one.disabled);
    (await until(find, text)).click();
};
const screen = (name) => until(() => document.getElementById("field").dataset.screen === `#${name}`, name);
const go = async (name) => { location.hash = name; await screen(name); };
const says = (text) => until(() => document.body.innerText.includes(text), text);
"""

START = """await screen("start");
    await press("Go/no-go check");
    await screen("check");
    const answered = async () => {
        const groups = [...document.querySelectorAll("fieldset.choices")];
        for (const item of groups) {
            const choices = [...item.querySelectorAll(".choice")];
            choices.find((one) => one.textContent.trim() === "Yes")?.querySelector("input").click();
        }
        // The page may be drawn anew once more, when it has heard from the server.
        await new Promise((resolve) => setTimeout(resolve, 1000));
        return groups.length > 5 && groups.every((item) => item.isConnected && item.querySelector("input:checked"));
    };
    await until(answered, "the answers");
    await press("Start");
    await screen("board");"""

PASS = """await go("pass");
    for (const text of ["Mark 1 of 2", "Mark 2 of 2"]) {
        const mark = await until(() => {
            const shown = document.getElementById("mark");
            return shown?.textContent.includes(text) && !shown.disabled && shown;
        }, text);
        mark.dispatchEvent(new PointerEvent("pointerdown", { isPrimary: true, button: 0, bubbles: true }));
        await new Promise((resolve) => setTimeout(resolve, 1200));
    }
    await until(() => document.getElementById("speed")?.textContent.includes("km/h"), "the speed");"""

READING = """await go("reading");
    const field = await until(() => document.querySelector("[name=voltage_v]"), "the voltage");
    field.value = "54,2";
    field.dispatchEvent(new Event("input", { bubbles: true }));
    await press("Save reading");
    await screen("board");"""

PHOTO = """await go("photo");
    const canvas = Object.assign(document.createElement("canvas"), { width: 40, height: 30 });
    canvas.getContext("2d").fillRect(0, 0, 20, 20);
    const picture = await new Promise((resolve) => canvas.toBlob(resolve, "image/jpeg"));
    const chosen = new DataTransfer();
    chosen.items.add(new File([picture], "photo.jpg", { type: "image/jpeg" }));
    const input = await until(() => document.getElementById("gallery"), "the choice of a photo");
    input.files = chosen.files;
    input.dispatchEvent(new Event("change", { bubbles: true }));
    await screen("board");"""

NOTE = """await go("note");
    const note = await until(() => document.querySelector("[name=note]"), "the note");
    note.value = "after the sign-out";
    note.dispatchEvent(new Event("input", { bubbles: true }));
    await press("Save note");
    await screen("board");"""


@pytest.fixture(params=ENGINES)
def engine(request, tmp_path):
    make, is_installed = ENGINES[request.param]
    if not is_installed():
        pytest.skip(f"{request.param} is not installed, so the field page was not tried in it. {INSTALL}")
    folder = tmp_path / request.param
    folder.mkdir(mode=0o700)
    made = make(folder)
    yield made
    made.close()


def step(engine, script):
    return engine.run(f"async () => {{ {UNTIL} {script} }}")


def ready(engine):
    step(engine, 'await until(() => document.getElementById("field")?.dataset.ready, "the page");')


def test_the_main_cases_go_through(engine, installation):
    engine.sign_in(installation.sign_in_cookie("ilo"))
    engine.open(f"{installation.url}/field/")
    ready(engine)
    step(
        engine, 'await navigator.serviceWorker.ready; await until(() => navigator.serviceWorker.controller, "worker");'
    )
    step(engine, START)
    for table in ("session", "gonogocheck"):
        installation.comes_to(f"test_sessions_{table}", 1)
    # From here on there is no server. The page opens from nothing, and logs.
    installation.kill()
    engine.start_anew()
    engine.open(f"{installation.url}/field/")
    ready(engine)
    for script in (PASS, READING, PHOTO):
        step(engine, script)
    engine.open(f"{installation.url}/field/")
    ready(engine)
    # Three records wait after the reload.
    step(engine, 'await go("board"); await says("On this phone 3 ");')
    installation.start()
    step(engine, "dispatchEvent(new Event('online'));")
    for table in ("pass", "reading"):
        installation.comes_to(f"test_sessions_{table}", 1)
    installation.comes_to("buildlog_photo", 1)
    assert installation.rows("test_sessions_reading", "voltage_v") == [(54.2,)]
    [(duration_s, valid)] = installation.rows("test_sessions_pass", "duration_s, valid")
    assert valid == 1
    assert 1.1 < duration_s < 3
    step(engine, 'await says("On this phone 0 ");')
    # Signed out, it goes on logging, says so, and sends after the sign-in.
    engine.sign_out()
    step(engine, NOTE)
    step(engine, 'await says("On this phone 1 "); await go("waiting"); await says("signed out");')
    time.sleep(1)
    assert installation.count("test_sessions_reading") == 1
