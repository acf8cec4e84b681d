"""What tests wait for, and how long at most."""

import time

LONGEST_WAIT_S = 25
"""For what a page or a server is to do: longer than a busy machine stalls, and shorter than the half minute after which
a phone sends by itself, so that this cannot stand in for what is tried."""
LONGEST_ACTION_S = 60
"""For what is done to a page: opening it, or a button that is to come before it is pressed."""

DRAWN = "() => new Promise((done) => requestAnimationFrame(() => requestIdleCallback(() => done())))"


def wait_until(is_so, words, longest_s=LONGEST_WAIT_S):
    """Wait until a function gives something true, and give that; the words say what did not come."""
    until = time.monotonic() + longest_s
    while not (result := is_so()):
        assert time.monotonic() < until, words() if callable(words) else words
        time.sleep(0.05)
    return result


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
        quiet, until = 0, time.monotonic() + LONGEST_ACTION_S
        while quiet < 2:
            assert time.monotonic() < until, (
                f"{self._page.url} still asks for {[request.url for request in self._under_way]}"
            )
            self._page.evaluate(DRAWN)
            quiet = 0 if self._under_way else quiet + 1
