"""`manage.py check`: the usual mistakes of an installation behind a proxy, each with its remedy.

`manage.py check --deploy` also asks the running installation over its base URL.
"""

from __future__ import annotations

import stat
from collections.abc import Iterator
from typing import Any

from django.conf import settings
from django.core.checks import CheckMessage, Error, Info, Warning, register
from django.urls import get_resolver

from buildlog.hosting import probe
from buildlog.hosting.connection import problems
from buildlog.hosting.environment import EXAMPLE_PUBLIC_KEY
from buildlog.hosting.setting_readers import HSTS_STEPS, is_loopback
from buildlog.hosting.stores import remote_hosts
from buildlog.people.reach import is_public

TAG = "proxy"
# Fewer bits than these name half the world, not a proxy.
_NARROWEST_BITS = {4: 8, 6: 16}


@register(TAG)
def check_surroundings(app_configs: Any, **options: Any) -> list[CheckMessage]:
    return [*_debug(), *_base_url(), *_proxies(), *_database(), *_data_folder(), *_backups()]


@register(TAG, deploy=True)
def check_on_the_way(app_configs: Any, **options: Any) -> list[CheckMessage]:
    if not settings.BASE_URL:
        return [
            Info(
                "No BUILDLOG_BASE_URL is set, so there is no way through a proxy to try.",
                hint="Set it when people reach this log through a proxy.",
                id="buildlog.I020",
            )
        ]
    try:
        facts = probe.ask()
    except probe.NoAnswer as error:
        return [Error(str(error), id="buildlog.E021")]
    messages: list[CheckMessage] = [
        Warning(
            f"{problem.what}: arrives as {problem.seen}; expected is {problem.expected}.",
            hint=problem.remedy,
            id="buildlog.W022",
        )
        for problem in problems(facts)
    ]
    if probe.refuses_photos():
        messages.append(
            Warning(
                "The proxy refuses uploads as large as a photo.",
                hint="In nginx: client_max_body_size 512m; (the largest archive that can be imported)",
                id="buildlog.W023",
            )
        )
    return messages


def _debug() -> Iterator[CheckMessage]:
    host = settings.LISTENS_ON
    if settings.BASE_URL:
        why = "a base URL is set"
    elif settings.SET["BUILDLOG_HOSTS"]:
        why = "BUILDLOG_HOSTS is set"
    elif not is_loopback(host):
        why = f"the server listens on {host}"
    else:
        return
    if settings.DEBUG:
        yield Error(
            f"BUILDLOG_DEBUG is on, and {why}: error pages would show code and settings to strangers.",
            hint="Remove BUILDLOG_DEBUG.",
            id="buildlog.E001",
        )


def _base_url() -> Iterator[CheckMessage]:
    base = settings.BASE_URL
    if not base:
        if settings.SET["BUILDLOG_HSTS"]:
            yield _hsts_without_https()
        return
    if not base.is_https and is_public(base.host):
        yield Warning(
            f"The base URL {base} is a public name without HTTPS: passwords go over the network unencrypted, and "
            "phones keep no page for use without a network.",
            hint=f"Get a certificate for the proxy and set BUILDLOG_BASE_URL=https://{base.netloc}{base.path}",
            id="buildlog.W002",
        )
    if settings.SET["BUILDLOG_HSTS"] and not base.is_https:
        yield _hsts_without_https()
    if settings.SET["BUILDLOG_HSTS"] == HSTS_STEPS["year"]:
        yield Info(
            f"BUILDLOG_HSTS=year: for a year after their last visit, browsers refuse {base.host} without HTTPS, every "
            "other service on that name included. It cannot be undone from here.",
            id="buildlog.I004",
        )
    if base.path and _is_own_page(base.path):
        yield Error(
            f"The base URL's path {base.path} begins like a page of the log itself, so the two cannot be told apart.",
            hint=f"Choose another, for example BUILDLOG_BASE_URL={base.origin}/firnlog",
            id="buildlog.E005",
        )
    elif base.path and base.is_https and is_public(base.host):
        yield Info(
            f"The log shares the name {base.host} with what else is served there: a weakness of that reaches the log's "
            "cookies and pages too.",
            hint=f"Give the log a name of its own, for example BUILDLOG_BASE_URL=https://log.{base.host}",
            id="buildlog.I015",
        )
    yield from _hosts()


def _hosts() -> Iterator[CheckMessage]:
    base = settings.BASE_URL
    for host in settings.SET["BUILDLOG_HOSTS"]:
        if host == base.host:
            yield Warning(
                f"BUILDLOG_HOSTS names {host}, which the base URL names already.",
                hint="Remove it from BUILDLOG_HOSTS.",
                id="buildlog.W006",
            )
        elif base.is_https:
            yield Warning(
                f"BUILDLOG_HOSTS names {host} beside the base URL {base}. Cookies go over HTTPS only, and forms are "
                f"taken from the base URL only: nobody can sign in at http://{host}.",
                hint="Remove it from BUILDLOG_HOSTS and open the log at its base URL everywhere.",
                id="buildlog.W007",
            )


def _proxies() -> Iterator[CheckMessage]:
    base, trusted = settings.BASE_URL, settings.TRUSTED_PROXIES
    if base.is_https and not trusted:
        yield Warning(
            "The base URL is https, but no proxy is trusted to say so: every request is taken as unencrypted, and the "
            "proxy's address is taken for everybody's.",
            hint="Set BUILDLOG_TRUSTED_PROXIES to the proxy's address, for example BUILDLOG_TRUSTED_PROXIES=127.0.0.1",
            id="buildlog.W008",
        )
    if not base and trusted:
        yield Warning(
            "BUILDLOG_TRUSTED_PROXIES is set without a base URL, so nothing else follows the proxy.",
            hint="Set BUILDLOG_BASE_URL to the address people open, for example https://home.example",
            id="buildlog.W009",
        )
    for network in trusted:
        if network.prefixlen < _NARROWEST_BITS[network.version]:
            yield Warning(
                f"BUILDLOG_TRUSTED_PROXIES trusts {network}: nearly anybody may say who they are and how they came.",
                hint="Name the proxy's own address, for example BUILDLOG_TRUSTED_PROXIES=172.17.0.1",
                id="buildlog.W010",
            )


def _database() -> Iterator[CheckMessage]:
    database = settings.SET["DATABASE_URL"]
    if not database or database["OPTIONS"].get("sslmode") == "verify-full":
        return
    if hosts := remote_hosts(database["HOST"]):
        yield Warning(
            f"The database is on {', '.join(hosts)}, and the server's certificate is not verified: "
            "somebody on the way could read and change all records.",
            hint="Let the server have a certificate, and take sslmode out of DATABASE_URL; of your own authority, "
            "end it in ?sslrootcert=/etc/ssl/authority.crt",
            id="buildlog.W012",
        )


def _data_folder() -> Iterator[CheckMessage]:
    mode = stat.S_IMODE(settings.DATA.stat().st_mode)
    if mode & (stat.S_IROTH | stat.S_IWOTH | stat.S_IXOTH):
        yield Warning(
            f"Every account of this machine can look into the data folder {settings.DATA} (mode {mode:o}), where "
            "database and key are.",
            hint=f"chmod 700 {settings.DATA}",
            id="buildlog.W011",
        )


def _backups() -> Iterator[CheckMessage]:
    if settings.BACKUP_PUBLIC_KEY == EXAMPLE_PUBLIC_KEY:
        yield Error(
            "BUILDLOG_BACKUP_PUBLIC_KEY is the key of the example, whose secret key nobody has: no backup could be "
            "opened when this machine is gone.",
            hint="Make one of your own: manage.py backup_key",
            id="buildlog.E013",
        )
    if settings.OFFSITE and not settings.BACKUP_PUBLIC_KEY:
        yield Warning(
            f"Backups are copied to {settings.OFFSITE.address} as they are: whoever may read there has the whole log, "
            "with the installation's key.",
            hint="Have them encrypted: manage.py backup_key",
            id="buildlog.W014",
        )


def _hsts_without_https() -> CheckMessage:
    return Error(
        "BUILDLOG_HSTS is set, but the base URL is not https: browsers ignore it.",
        hint="Set an https base URL, or remove BUILDLOG_HSTS.",
        id="buildlog.E003",
    )


def _is_own_page(path: str) -> bool:
    """Whether an address of the log's own could begin with the sub-path."""
    return path.split("/")[1] in {str(pattern.pattern).split("/")[0] for pattern in get_resolver().url_patterns} | {
        "static"
    }
