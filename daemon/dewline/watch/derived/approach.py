"""When a level reaches a limit along a straight line.

``approach`` is for what is no trace gas: a pressure that falls, a freezer that warms. It has no
model of a bed or of walls, so the sign of the limit does not matter. ``straight_rise`` is for the
gases of a box whose loop stands.
"""

from __future__ import annotations

from statistics import median

from dewline.watch.derived.forecast import (
    FARTHEST_H,
    LEAST_POINTS,
    WALLS_H,
    WIDER_HIGH,
    WIDER_LOW,
    Forecast,
    Points,
    levels_off,
    straight_line,
    thinned,
    within_reach,
)


def approach(points: Points, limit: float, *, rising: bool) -> Forecast | None:
    """Hours until a level that moves through ``points`` reaches ``limit``; None: not foreseen.

    ``points``: hours and values in any unit, that of ``limit``. ``rising``: whether the limit is
    reached from below. A level that moves away, or slows down as before a plateau, does not
    reach it. The range allows for a change of pace, as in ``forecast``.
    """
    if len(points) < LEAST_POINTS:
        return None
    sign = 1.0 if rising else -1.0
    # Mirrored and moved, so that the level rises to zero.
    points = [(t, sign * (value - limit)) for t, value in points]
    late = points[-3:]
    now, lag_h = median(value for _, value in late), late[-1][0] - median(t for t, _ in late)
    if now >= 0.0:
        return Forecast(0.0, 0.0, 0.0)
    points = thinned(points)
    recent = points[-max(LEAST_POINTS, len(points) // 2) :]
    line = straight_line(recent, now, 0.0)
    if line is None or levels_off(recent) or line.hours > FARTHEST_H:
        return None
    return Forecast(
        max(0.0, line.hours - lag_h),
        max(0.0, line.low * WIDER_LOW - lag_h),
        min(FARTHEST_H, line.high * WIDER_HIGH),
    )


def straight_rise(points: Points, limit: float, role: str = "oxygen") -> Forecast | None:
    """When a level in a stopped loop reaches ``limit``, ppm; None: not foreseen.

    ``points``: only readings since the stop, hours and ppm. Oxygen rises in a straight line.
    ``role``: moisture may bend, since walls take up a part of it, which widens the range.
    """
    if len(points) < LEAST_POINTS:
        return None
    now = median(v for _, v in points[-3:])
    if now >= limit:
        return Forecast(0.0, 0.0, 0.0)
    line = straight_line(thinned(points), now, limit, bends=role in WALLS_H)
    return line and within_reach(line, line.low, line.high)
