"""The scripts of the field page in one, and what the minifier makes of them."""

import subprocess
from pathlib import Path

import minify
import playwright
import pytest
from django.conf import settings

from buildlog.hosting.module_bundle import NotBundled, bundle, minified

FIELD = settings.PROJECT / "static" / "field"
NODE = Path(playwright.__file__).parent / "driver" / "node"
TOO_EARLY = f"""function f(g) {{
  const now = g(1);
  const {{ a }} = h({{ x: now.s }});
  const c = 2;
  return [a, now, c];
}} // {"-" * 99}"""


def read_too_early(script):
    """Names that a declaration reads before they are declared, and the number of blocks that were looked at."""
    command = [NODE, "--expose-internals", Path(__file__).with_name("declared_before_use.cjs")]
    *names, blocks = subprocess.run(command, input=script, capture_output=True, text=True, check=True).stdout.split(
        "\n"
    )[:-1]
    return names, int(blocks)


def test_nothing_is_read_before_it_is_declared():
    """ECMA-262, 14.3.1: a name of `let` or `const` that is read before its declaration has run raises."""
    names, blocks = read_too_early(minified(bundle(FIELD / "start.js")))
    assert names == []
    assert blocks > 500


def test_the_minifier_alone_reads_too_early():
    """Once it does not, `minified` needs no `let` of its own."""
    assert read_too_early(TOO_EARLY) == ([], 2)
    assert len(read_too_early(minify.string("application/javascript", TOO_EARLY))[0]) == 1
    assert read_too_early(minified(TOO_EARLY)) == ([], 2)


def written(folder, **modules):
    for name, source in modules.items():
        (folder / f"{name}.js").write_text(source)
    return folder / "start.js"


def run(script):
    command = [NODE, "--input-type=module", "-"]
    return subprocess.run(command, input=script, capture_output=True, text=True, check=True).stdout.split()


def test_each_module_runs_once_before_those_that_import_it_and_names_do_not_meet(tmp_path):
    entry = written(
        tmp_path,
        base='console.log("base");\nconst own = 1;\nexport function get() { return own; }\nexport class Full {}\n',
        left='import { get as first } from "./base.js";\nexport { Full } from "./base.js";\nconst own = 10;\n'
        "export const sum = own + first();\n",
        start='import {\n  sum,\n  Full,\n} from "./left.js";\nimport { get } from "./base.js";\nconst own = 100;\n'
        "console.log(own + sum + get(), typeof Full);\nawait 0;\n",
    )
    script = bundle(entry)
    assert run(script) == run(minified(script)) == ["base", "112", "function"]


@pytest.mark.parametrize(
    "modules",
    [
        {"start": 'import { a } from "./b.js";\n', "b": 'import { c } from "./start.js";\nexport const a = c;\n'},
        {"start": 'import * as all from "./b.js";\n', "b": ""},
        {"start": "export let a = 1;\n"},
        {"start": 'const late = import("./b.js");\n', "b": ""},
    ],
)
def test_what_it_does_not_know_is_refused(tmp_path, modules):
    with pytest.raises(NotBundled):
        bundle(written(tmp_path, **modules))
