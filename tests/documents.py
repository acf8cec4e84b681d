"""The marked blocks of README and DEVELOPERS, which tests run as they stand."""

import re

from tests.data_folders import PROJECT


def block(name, document="README.md"):
    return re.search(rf"<!-- {name} -->\n```\w+\n(.*?)```", (PROJECT / document).read_text(), re.S).group(1)
