"""The benchmark of pages covers all of them, and says which goal is missed."""

from buildlog.config.api_urls import router
from tests.page_costs.addresses import API, FILES, MADE, NAMES, records_in
from tests.page_costs.costs import GOALS, LIST, Cost, goal_of
from tests.page_costs.report import missed
from tests.people.test_pages_by_role import PAGES, POSTED_ONLY

MORE = {"sessions, last", "failures, last", "compare, all revisions", "field data", "PUT of a pass"}


def test_every_list_of_the_api_is_measured():
    assert set(API) == {kind for kind, _, _ in router.registry} | {"photos", "voice-notes"}


def test_every_record_that_an_address_names_is_made():
    """A page that is added would otherwise stop the benchmark once it gets there."""
    patterns = [pattern for name, (pattern, _) in PAGES.items() if name not in POSTED_ONLY | FILES]
    assert {name for pattern in patterns for name in records_in(pattern)} <= set(MADE)


def test_every_goal_is_of_a_page_that_is_measured():
    """That no page is left out of PAGES, from which the benchmark takes them, is held in `test_pages_by_role`."""
    assert set(GOALS) <= {NAMES.get(name, name) for name in PAGES} | MORE
    assert goal_of("API passes, last") == LIST
    assert goal_of("help") is None


def costs(*ratios):
    return {
        size: {"sessions": Cost(ratio, 10.0, 1.0, 6, 1000, 5000, 0.0)}
        for size, ratio in zip((200, 2000, 20000), ratios, strict=True)
    }


def test_a_goal_that_is_missed_is_named():
    assert missed(costs(2.0, 2.1, 2.5)) == []
    assert missed(costs(2.0, 2.1, 2.7)) == ["sessions: 1.35 times the ratio at 20000 as at 200 sessions"]
    assert missed(costs(3.5, 2.9, 2.9)) == ["sessions: 3.5 times its bare page at 200 sessions, not 3"]
