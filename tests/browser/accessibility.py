"""The rules of accessibility, as axe-core tries them on a page."""

from axe_playwright_python.sync_playwright import Axe

AXE = Axe().axe_script
BROKEN = """() => axe.run({resultTypes: ["violations"]}).then(({violations}) =>
    violations.map(({id, nodes}) => [id, nodes.slice(0, 3).map(({html}) => html)]))"""


def broken_rules(page):
    """Every rule that is broken, of any impact, with the first elements that break it.

    A page that is looked at twice has axe-core already; and only what is broken leaves the browser. Both together are
    a third of the processor time.
    """
    if not page.evaluate("() => 'axe' in window"):
        page.evaluate(AXE)
    return [(rule, elements) for rule, elements in page.evaluate(BROKEN)]
