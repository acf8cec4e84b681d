"""When a page has everything that it asked for, and has drawn it."""

DRAWN = "() => new Promise((done) => requestAnimationFrame(() => requestIdleCallback(() => done())))"


class Requests:
    """The requests of a page that are under way.

    Playwright's own state of a network that is idle waits half a second more on every page, and only after a page was
    opened: not for what a fold asks for.
    """

    def __init__(self, page):
        self._page, self._under_way = page, set()
        page.on("request", lambda request: self._under_way.add(request))
        for ended in ("requestfinished", "requestfailed"):
            page.on(ended, lambda request: self._under_way.discard(request))

    def wait_until_settled(self):
        """Wait until nothing is under way, both before and after the page drew and had nothing left to do."""
        self._page.wait_for_load_state()
        quiet = 0
        while quiet < 2:
            self._page.evaluate(DRAWN)
            quiet = 0 if self._under_way else quiet + 1
