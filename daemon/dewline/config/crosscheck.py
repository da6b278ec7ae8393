"""Checks across a config: names that clash, references to nothing, one port used twice."""

from __future__ import annotations

from collections.abc import Iterable
from difflib import get_close_matches

from dewline.config.nodes import KeyPath, nearest
from dewline.config.profiles import find, names, raw_unit
from dewline.config.roles import RESERVED, chamber_suffix, close_role, takes_role_name, unit_of
from dewline.config.schema import RtuConfig
from dewline.config.site import SECTIONS, ParsedSite, SignalMapping
from dewline.hours import HOLIDAY, Hours

_KINDS = ("modbus_rtu", "modbus_tcp", "ascii")


def crosscheck(site: ParsedSite) -> None:
    """Report everything that is wrong between the parts of a config."""
    _places(site)
    _buses(site)
    _instruments(site)
    _mappings(site)
    _boxes(site)
    _contacts(site)
    _hours(site)
    _page(site)


def _places(site: ParsedSite) -> None:
    taken: dict[str, str] = {}
    for section, kind in SECTIONS:
        for name in site.raw(section):
            if name in RESERVED:
                site.report(
                    (section, name), f"{name!r} is reserved", "give it another name", on_key=True
                )
            elif name in taken:
                site.report(
                    (section, name),
                    f"there is a {taken[name]} of that name",
                    f"name the {kind} otherwise: boxes, purifiers and services share their names",
                    on_key=True,
                )
            taken.setdefault(name, kind)


def _buses(site: ParsedSite) -> None:
    ports: dict[str, str] = {}
    for name, bus in site.config.buses.items():
        kinds = [kind for kind in _KINDS if kind in site.raw("buses", name)]
        if len(kinds) != 1:
            found = " and ".join(kinds) or "no kind of bus"
            site.report(
                ("buses", name), f"has {found}", f"write exactly one of {', '.join(_KINDS)}"
            )
        serial = bus.modbus_rtu or bus.ascii
        if serial is None:
            continue
        path = ("buses", name, "modbus_rtu" if bus.modbus_rtu else "ascii", "port")
        if "://" in serial.port:
            site.report(
                path,
                "is an address on a network, not a serial port",
                "write a device such as /dev/serial/by-id/NAME, or use modbus_tcp",
            )
        if serial.port in ports:
            remedy = "put both on one bus, or give each its own port"
            site.report(path, f"bus {ports[serial.port]} has this port", remedy)
        ports.setdefault(serial.port, name)


def _instruments(site: ParsedSite) -> None:
    streams: dict[str, str] = {}
    for name, instrument in site.config.instruments.items():
        path: KeyPath = ("instruments", name)
        _known(site, (*path, "bus"), instrument.bus, site.raw("buses"), "bus")
        profile = site.profiles.get(instrument.profile)
        if profile is None:
            _no_profile(site, (*path, "profile"), instrument.profile)
        bus = site.config.buses.get(instrument.bus)
        if bus is None or profile is None:
            continue
        wanted = "ascii" if bus.ascii else "modbus"
        if _whole(site, instrument.bus) and profile.protocol != wanted:
            site.report(
                (*path, "profile"),
                f"{instrument.profile} speaks {profile.protocol}, bus {instrument.bus} {wanted}",
                "name another profile or bus",
            )
        if isinstance(bus.modbus_rtu, RtuConfig) and not 1 <= instrument.unit <= 247:
            site.report(
                (*path, "unit"), f"{instrument.unit} is no unit of a serial line", "write 1 to 247"
            )
        streamed = profile.ascii is not None and profile.ascii.ask is None
        if bus.ascii and (streamed or instrument.bus in streams):
            if (other := streams.get(instrument.bus)) and other != name:
                site.report((*path, "bus"), f"{other} talks on this bus", "give each its own bus")
            streams.setdefault(instrument.bus, name)


def _whole(site: ParsedSite, bus: str) -> bool:
    return len([kind for kind in _KINDS if kind in site.raw("buses", bus)]) == 1


def _no_profile(site: ParsedSite, path: KeyPath, name: str) -> None:
    remedy = nearest(name, names("profiles"), "`dewline profiles` lists what is built in")
    if find(name, "profiles", site.folder) is None:
        site.report(path, f"there is no profile {name!r}", remedy)


def _known(site: ParsedSite, path: KeyPath, name: str, known: Iterable[str], what: str) -> None:
    known = list(known)
    if name in known:
        return
    remedy = nearest(name, known, f"known: {', '.join(known) or 'none'}")
    site.report(path, f"there is no {what} {name!r}", remedy)


def _mappings(site: ParsedSite) -> None:
    units: dict[str, tuple[str, str]] = {}
    mappings = list(site.mappings())
    for mapping in mappings:
        _name(site, mapping)
        if mapping.feed is None:
            continue
        _register(site, mapping, units)
        _reference(site, mapping, mappings)


def _name(site: ParsedSite, mapping: SignalMapping) -> None:
    if mapping.role is not None or site.source.broken(mapping.path):
        return
    suffix = chamber_suffix(mapping.name)
    chamber = mapping.name.removesuffix(f"_{suffix}")
    if mapping.kind == "box" and suffix is not None:
        problem = f"{mapping.place} has no antechamber {chamber!r}"
        remedy = "add it under antechambers, or name the signal otherwise"
        sure, grave = bool(get_close_matches(chamber, site.antechambers(mapping.place), n=1)), True
    elif near := close_role(mapping.name):
        sure = near == mapping.name
        problem = f"is no role of a {mapping.kind}" if sure else f"is no role; there is {near!r}"
        see = f"write {near}, if the built-in rules should see it"
        remedy = "map it under a box" if sure else see
        grave = not mapping.name.startswith(f"{near}_")  # `oxygen_2` is written on purpose
    else:
        return
    if sure:
        site.report(mapping.path, problem, remedy, on_key=True)
    else:
        site.source.warn(mapping.path, problem, remedy, grave=grave)


def _register(site: ParsedSite, mapping: SignalMapping, units: dict[str, tuple[str, str]]) -> None:
    path, feed = mapping.path, mapping.feed or ""
    instruments = site.raw("instruments")
    if mapping.instrument not in instruments:
        _known(site, path, mapping.instrument, instruments, "instrument")
        return
    profile = site.profile_of(mapping.instrument)
    if profile is None or site.source.broken(("instruments", mapping.instrument, "profile")):
        return
    if mapping.register not in profile.known:
        _known(site, path, mapping.register, sorted(profile.known), "register")
        return
    register = profile.registers.get(mapping.register)
    if register is None:
        return
    if wrong := site.misfit(mapping):
        site.report(path, wrong, "map a register that is")
        return
    unit = unit_of(mapping.role, raw_unit(register))
    first = units.setdefault(feed, (unit, mapping.full))
    if first[0] != unit:
        site.report(
            path,
            f"{feed} is in {first[0] or 'no unit'} for {first[1]}, here in {unit or 'no unit'}",
            "map another register",
        )


def _reference(site: ParsedSite, mapping: SignalMapping, mappings: list[SignalMapping]) -> None:
    """A pressure against the wrong zero needs the barometer to be put right."""
    wanted = mapping.role.reference if mapping.role else None
    register = site.register_of(mapping)
    if wanted is None or register is None or register.reference in (None, wanted):
        return
    near = {mapping.place, *(m.place for m in mappings if m.kind == "service")}
    if not any(m.name == "barometer" and m.place in near for m in mappings):
        site.report(
            mapping.path,
            f"{mapping.feed} is {register.reference}, {mapping.name} is {wanted}",
            "map a `barometer`, so that one can be made of the other",
        )


def _boxes(site: ParsedSite) -> None:
    if not site.raw("boxes") and not site.source.broken(("boxes",)):
        site.report(("boxes",), "has no box", "add at least one", on_key=True)
    contacts = site.raw("push", "contacts")
    for name, box in site.config.boxes.items():
        path: KeyPath = ("boxes", name)
        if box.purifier is not None:
            _known(site, (*path, "purifier"), box.purifier, site.raw("purifiers"), "purifier")
        if box.supply is not None:
            _known(site, (*path, "supply"), box.supply, site.raw("services"), "service")
        for contact in box.contacts or ():
            _known(site, (*path, "contacts"), contact, contacts, "contact")
        for role in box.analyzers:
            if role not in site.raw("boxes", name, "signals"):
                site.report(
                    (*path, "analyzers", role),
                    f"{name} has no signal {role!r}",
                    "map it under signals, or leave the analyzer out",
                    on_key=True,
                )
    for name in site.raw("boxes"):
        for chamber in site.antechambers(name):
            if taken := takes_role_name(chamber):
                site.report(
                    ("boxes", name, "antechambers", chamber),
                    f"would make {taken!r}, which is another signal",
                    "name the antechamber otherwise",
                    on_key=True,
                )


def _contacts(site: ParsedSite) -> None:
    contacts = site.config.contacts
    for name, contact in contacts.items():
        path = ("push", "contacts", name)
        if contact.then is not None:
            _known(site, (*path, "then"), contact.then, site.raw("push", "contacts"), "contact")
        written = site.raw(*path)
        if "then" in written and "escalate_after" not in written:
            site.report((*path, "then"), "never comes", "add `escalate_after:`, for example 15 min")
        if "escalate_after" in written and "then" not in written:
            site.report((*path, "escalate_after"), "leads to nobody", "add `then:` with a contact")
        seen, at = {name}, contact.then
        while at is not None and at in contacts and at not in seen:
            seen.add(at)
            at = contacts[at].then
        if at == name:
            site.report((*path, "then"), "leads back to itself", "end with one contact")


def _hours(site: ParsedSite) -> None:
    """What hours say of holidays, and whether the site has any."""
    staffed, holidays = site.config.staffed, site.config.holidays
    if holidays and any(not span.days for span in staffed or ()):
        remedy = "name the days, as in mon-sun 08:00-18:00, if nobody comes on holidays"
        site.source.warn(("staffed",), "names no days, so holidays are staffed too", remedy)
    hours: dict[KeyPath, Hours | None] = {("staffed",): staffed}
    for name, contact in site.config.contacts.items():
        hours["push", "contacts", name, "hours"] = contact.hours
    for path, spans in hours.items():
        if not holidays and any(HOLIDAY in span.days for span in spans or ()):
            site.report(path, "names holidays, and there are none", "list them under `holidays:`")


def _page(site: ParsedSite) -> None:
    page = site.config.page
    if page is None:
        return
    site.source.warn(("page",), "is not served yet by this version", "use MQTT and `status`")
    host, _, port = page.bind.rpartition(":")
    if not 1 <= int(port) <= 65535:
        site.report(("page", "bind"), f"{port} is no port", "write 1 to 65535")
    local = host in ("127.0.0.1", "localhost", "[::1]")
    if not local and page.token_file is None and not site.source.broken(("page", "token_file")):
        site.report(
            ("page", "bind"),
            f"{host} can be reached by others",
            "add `token_file:`, or bind 127.0.0.1",
        )
