"""A phone in a test: what a person does on the field page, in the page's own words."""

from urllib.parse import urlsplit

from playwright.sync_api import TimeoutError as TookTooLong
from playwright.sync_api import expect

from tests.browser.installation import PASSWORD

SCREEN = {"viewport": {"width": 390, "height": 844}, "has_touch": True, "is_mobile": True, "device_scale_factor": 2}

# The modules of the running page, by name.
MODULE = """globalThis.module = async (name) =>
    (await import(document.querySelector("script[type=module]").src)).modules[name]"""

# At once: with a pointer, a dozen questions take half of the time of a usual test. `test_field_taps.py` does it so.
ANSWER = """(groups, answer) => {
    const label = (group) => [...group.querySelectorAll("label")].find((one) => one.textContent.trim() === answer);
    for (const group of groups) label(group).click();
}"""


class Phone:
    def __init__(self, context, url):
        self.context, self.url = context, url
        context.add_init_script(MODULE)
        self.page = context.pages[0] if context.pages else context.new_page()
        self.errors = []
        self.page.on("pageerror", lambda error: self.errors.append(str(error)))

    def sign_in(self, name="ilo"):
        self.page.goto(f"{self.url}/sign-in/?next={urlsplit(self.url).path}/field/")
        self.page.get_by_label("Username").fill(name)
        self.page.get_by_label("Password").fill(PASSWORD)
        self.page.get_by_role("button", name="Sign in").click()
        self.ready()
        return self

    def signed_in(self, installation, name="ilo"):
        self.context.add_cookies([installation.sign_in_cookie(name)])
        return self.open()

    def ready(self):
        """Wait until the page is drawn and the phone knows its machines."""
        self.page.wait_for_selector("#field[data-ready]")
        expect(self.page.get_by_role("heading", name="At the lake")).to_have_count(0)
        return self

    def kept_for_offline(self):
        """Wait until the service worker holds the page, and the phone what it takes along."""
        self.page.evaluate("() => navigator.serviceWorker.ready.then(() => true)")
        self.page.wait_for_function("() => navigator.serviceWorker.controller !== null")
        expect(self.page.get_by_role("heading", name="Start a session")).to_be_visible()
        return self

    def open(self):
        self.page.goto(f"{self.url}/field/")
        return self.ready()

    def start_session(self, answers="Yes", venue=None):
        page = self.page
        if venue:
            page.get_by_text("A new one", exact=True).click()
            page.get_by_label("Name of the new venue").fill(venue)
        page.get_by_role("button", name="Go/no-go check").click()
        expect(page.get_by_role("heading", name="Go/no-go check")).to_be_visible()
        self._go(answers)
        return self

    def _go(self, answers):
        """Answers and starts as quickly as no person does: where the screen was just being drawn, once more."""
        for _ in range(3):
            self.page.locator("fieldset.choices").evaluate_all(ANSWER, answers)
            self.page.get_by_role("button", name="Start").click()
            try:
                self.page.wait_for_selector("nav.board", timeout=20_000)
                return
            except TookTooLong:
                print(f"No session was started; the page says: {self.page.inner_text('body')}")
        raise AssertionError("No session was started in three tries; what the page said is printed.")

    def to(self, name):
        self.page.get_by_role("link", name=name, exact=True).click()
        return self

    def read(self, **values):
        labels = {
            "voltage": "Voltage",
            "current": "Current",
            "charge": "Charge used so far",
            "distance": "Distance so far",
        }
        self.to("Reading")
        for name, value in values.items():
            self.page.get_by_role("textbox", name=labels[name]).fill(value)
        self.page.get_by_role("button", name="Save reading").click()
        expect(self.page.locator("#said")).to_contain_text("Saved on this phone")
        self.page.wait_for_selector("nav.board")
        return self

    def tap_both_marks(self):
        """Time a pass through a gate of two marks, on a page that has them; the next tap would be one too many."""
        mark = self.page.locator("#mark")
        expect(mark).to_contain_text("Mark 1 of 2")
        mark.dispatch_event("pointerdown", {"isPrimary": True, "button": 0})
        expect(mark).to_contain_text("Mark 2 of 2")
        # A tap sooner than that is taken for a bounce of the first.
        self.page.wait_for_timeout(500)
        mark.dispatch_event("pointerdown", {"isPrimary": True, "button": 0})
        return self

    def note(self, words):
        self.to("Note")
        self.page.get_by_label("Note").fill(words)
        self.page.get_by_role("button", name="Save note").click()
        expect(self.page.locator("#said")).to_contain_text("Note saved on this phone")
        self.page.wait_for_selector("nav.board")
        return self

    def queue(self, here, there=None):
        """What the queue must come to say."""
        words = f"On this phone {here} · on the server" + (f" {there}." if there is not None else "")
        expect(self.page.locator("#queue")).to_contain_text(words)
        return self

    def kept(self, store="records"):
        """What the phone's own disk holds, read beside the page."""
        return self.page.evaluate(
            """(store) => new Promise((resolve, reject) => {
                const asked = indexedDB.open("firnlog-field");
                asked.onerror = () => reject(asked.error);
                asked.onsuccess = () => {
                    const all = asked.result.transaction(store).objectStore(store).getAll();
                    all.onsuccess = () => { asked.result.close(); resolve(all.result.map(
                        (one) => ({...one, bytes: one.bytes?.byteLength}))); };
                };
            })""",
            store,
        )
