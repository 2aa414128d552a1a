"""A calibration check within the run, as lines of the board."""

from __future__ import annotations

from swathe.messages import CheckingMessage

__all__ = ["check_lines"]


def check_lines(checking: CheckingMessage | None, *, keys: bool) -> list[str]:
    """Return what is to be done for the check in progress or due; empty without one.

    Args:
        checking: the newest message; None before any.
        keys: whether keys of this board act on it.
    """
    if checking is None or not checking.text:
        return []
    if not checking.active:
        return [f"{checking.text} · c begins" if keys and checking.asked else checking.text]
    lines = [f"calibration check by {checking.by}: {checking.text}", checking.gauge]
    if checking.probes:
        lines.append("probes: " + " · ".join(f"{one.name} {one.result}" for one in checking.probes))
    if keys and not checking.by_crawler:
        skips = "s leaves this probe out · " if checking.probes else ""
        lines.append(
            f"{_enter(checking)} · r reads the last step again · {skips}c gives the check up"
        )
    return lines


def _enter(checking: CheckingMessage) -> str:
    return "Enter keeps the reading" if checking.beyond else "Enter reads the step"
