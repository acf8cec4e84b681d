"""The rules of accessibility, as axe-core tries them on a page."""

from axe_playwright_python.sync_playwright import Axe

AXE = Axe().axe_script
BROKEN = """async () => {
    // Else the text of each element that is looked at, and of all that lies behind it, is written out for each rule.
    axe.configure({ noHtml: true });
    const { violations } = await axe.run({ resultTypes: ["violations"] });
    const html = ({ target: [selector] }) => document.querySelector(selector)?.outerHTML.slice(0, 300) ?? selector;
    return violations.map(({ id, nodes }) => [id, nodes.slice(0, 3).map(html)]);
}"""


def broken_rules(page):
    """Every rule that is broken, of any impact, with the first elements that break it.

    A page that is looked at twice has axe-core already; and only what is broken leaves the browser. Both together are
    a third of the processor time.
    """
    if not page.evaluate("() => 'axe' in window"):
        page.evaluate(AXE)
    return [(rule, elements) for rule, elements in page.evaluate(BROKEN)]
