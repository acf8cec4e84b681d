"""What comes from the server or a file under the name of a prototype changes no other object (ASVS 5.0, 15.3.6)."""

TRIED = """() => {
    const hostile = JSON.parse(
        '{"__proto__": {"polluted": 1}, "constructor": {"prototype": {"polluted": 1}}, "voltage_v": 51}');
    const names = ["__proto__", "constructor", "voltage_v"];
    const found = merge.threeWay({ mine: hostile, began: { voltage_v: 50 }, stored: { voltage_v: 50 }, names });
    return [({}).polluted ?? null, [].polluted ?? null, "changes" in found || "mine" in found];
}"""


def test_a_merge_of_names_of_prototypes_changes_no_other_object(script):
    assert script(TRIED) == [None, None, True]
