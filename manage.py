#!/usr/bin/env python
"""Run a management command, for example `python manage.py serve --demo`."""

import gc
import os
import sys


def main() -> None:
    # Loading the program makes hundreds of thousands of objects that stay. The last of our apps switches the search
    # for garbage among them on again.
    gc.disable()
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "buildlog.config.settings")
    from django.core.exceptions import ImproperlyConfigured
    from django.core.management import execute_from_command_line

    try:
        execute_from_command_line(sys.argv)
    except ImproperlyConfigured as error:
        sys.exit(str(error))


if __name__ == "__main__":
    main()
