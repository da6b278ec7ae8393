"""``dewline page-test CONTACT``: send a test page, say what became of it."""

from __future__ import annotations

import argparse
import asyncio
import sys

from dewline.cli import say
from dewline.cli.terminal import add_config_arguments, plan_of, print_json
from dewline.clock import RealClock
from dewline.errors import FollowerError, OutOfRange


def arguments(parser: argparse.ArgumentParser) -> None:
    """The config, and the contact to page."""
    add_config_arguments(parser)
    parser.add_argument("contact", metavar="CONTACT", help="a name under push: contacts:")


def run(args: argparse.Namespace) -> int:
    """Send a test page to one contact and say what became of it.

    Exit status 0 the provider has taken it, 1 it refused or nobody knows, 2 no such contact,
    3 not reached. ``--json`` prints {contact, fate, why, id}; the address is never printed.
    """
    # Here, because a bad name should not cost the imports.
    from dewline.followers.push.page_text import PageWriter  # noqa: PLC0415
    from dewline.followers.push.target import Target  # noqa: PLC0415
    from dewline.hours import zone_of  # noqa: PLC0415

    plan = plan_of(args)
    contact = plan.contacts.get(args.contact)
    if contact is None:
        known = ", ".join(plan.contacts) or "none"
        raise OutOfRange(f"{plan.path} has no contact {args.contact!r}; allowed is {known}")
    clock = RealClock()
    writer = PageWriter(plan.site, zone_of(plan.watch.timezone), {})
    page = writer.test(contact.name, clock.wall_ms())
    sent = asyncio.run(Target(contact.url_file, clock).send(page))
    if args.json:
        print_json({"contact": contact.name, "fate": sent.fate, "why": sent.why, "id": page.id})
    if sent.fate in ("later", "barred"):
        raise FollowerError(f"{contact.name} was not reached: {sent.why}")
    if sent.fate == "delivered":
        say(f"{contact.name}: the provider has taken it. See that the phone shows: {page.text}")
        return 0
    print(f"{contact.name}: {sent.fate}, {sent.why}. Look at the phone.", file=sys.stderr)
    return 1
