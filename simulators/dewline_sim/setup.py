"""The lab of a story: a file with a part that is repeated for every box, and changes over it.

In the part ``each`` the word BOX stands for a box's name, N for its number from
1, and a text ``=10+N`` for that sum. Places stand in mappings by name, so that a
story can change one of them; ``spec_of`` turns them into what the physics wants.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Any

_SUM = re.compile(r"=(\d+)\+N")


class StoryError(ValueError):
    """A story or lab that cannot be told; the text says where."""


def expanded(document: Mapping[str, Any], names: Sequence[str]) -> dict[str, Any]:
    """A lab's file with ``each`` laid out for these boxes."""
    out = {k: v for k, v in document.items() if k != "each"}
    for number, name in enumerate(names, 1):
        out = merged(out, _for_box(document.get("each") or {}, name, number))
    return out


def _for_box(tree: Any, name: str, number: int) -> Any:
    if isinstance(tree, dict):
        return {_for_box(k, name, number): _for_box(v, name, number) for k, v in tree.items()}
    if isinstance(tree, list):
        return [_for_box(v, name, number) for v in tree]
    if not isinstance(tree, str):
        return tree
    if match := _SUM.fullmatch(tree):
        return int(match[1]) + number
    return tree.replace("BOX", name).replace("pN", f"p{number}")


def filled(tree: Any, sizes: Mapping[str, float]) -> Any:
    """The tree with every ``$name`` replaced by its drawn size."""
    if isinstance(tree, dict):
        return {k: filled(v, sizes) for k, v in tree.items()}
    if isinstance(tree, list):
        return [filled(v, sizes) for v in tree]
    if isinstance(tree, str) and tree.startswith("$"):
        try:
            return sizes[tree[1:]]
        except KeyError:
            raise StoryError(f"{tree} is not drawn") from None
    return tree


def merged(base: Any, over: Any) -> Any:
    """``over`` laid over ``base``, key by key; null takes a key away."""
    if not (isinstance(base, dict) and isinstance(over, dict)):
        return over
    out = dict(base)
    for key, value in over.items():
        if value is None:
            out.pop(key, None)
        else:
            out[key] = merged(out.get(key), value) if key in out else value
    return out


def spec_of(setup: Mapping[str, Any]) -> dict[str, Any]:
    """The physics' part of a lab, its places by name turned into lists."""
    spec = dict(setup["lab"])
    for group in ("boxes", "purifiers", "services"):
        if isinstance(spec.get(group), dict):
            spec[group] = [{"name": name, **(entry or {})} for name, entry in spec[group].items()]
    return spec
