"""A config read again while the daemon runs: what is refused, and what must be replaced."""

from __future__ import annotations

from collections.abc import Iterator

from dewline.config import Plan, load
from dewline.errors import CommandError, ConfigError


def reread(old: Plan) -> Plan:
    """The plan that the config file of ``old`` means now.

    CommandError says why where the old one has to run on: mistakes in the file, or a
    change that only a restart can make.
    """
    try:
        plan = load(old.path).plan
    except (ConfigError, OSError) as error:
        raise CommandError(f"the old config runs on: {error}") from error
    if plan.journal.path != old.journal.path or plan.site != old.site:
        raise CommandError(
            "site and journal path change only with a restart; the old config runs on"
        )
    return plan


def restart_notice(old: Plan, plan: Plan) -> str:
    """Which changes take effect only at the next start, in words; empty where there are none."""
    changed = old.journal != plan.journal
    return "; what changed under journal: holds from the next start on" if changed else ""


def changed_buses(old: Plan, plan: Plan) -> Iterator[str]:
    """Names of buses that are new, gone, or read in another way than before."""
    for name in dict.fromkeys((*old.buses, *plan.buses)):
        if _bus_part(old, name) != _bus_part(plan, name):
            yield name


def _bus_part(plan: Plan, name: str) -> object:
    return plan.buses.get(name), [i for i in plan.instruments.values() if i.bus == name]
