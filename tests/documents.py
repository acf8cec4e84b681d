"""The documents and their marked blocks, which tests run as they stand."""

import re

from tests.data_folders import PROJECT

HELP = PROJECT / "buildlog/hosting/help"


def help_text(slug):
    return (HELP / f"{slug}.md").read_text()


def block(name):
    """The one block of that mark in README, DEVELOPERS and the help texts."""
    documents = [PROJECT / "README.md", PROJECT / "DEVELOPERS.md", *sorted(HELP.glob("*.md"))]
    texts = "\n".join(path.read_text() for path in documents)
    (result,) = re.findall(rf"<!-- {name} -->\n```\w+\n(.*?)```", texts, re.S)
    return result
