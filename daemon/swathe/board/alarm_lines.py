"""The raised alarms on the board, the first of them whole."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from rich.text import Text

from swathe.board.texts import alarm_text
from swathe.messages import AlarmMessage, PlanMessage
from swathe.pipeline.progress.fields import count_text

__all__ = ["alarm_lines"]

_NEW = "bold yellow"


def alarm_lines(
    alarms: Sequence[AlarmMessage],
    most: int,
    wrap: Callable[[str, str], list[Text]],
    *,
    plan: PlanMessage | None,
    said: str = "",
) -> list[Text]:
    """Return alarms in at most `most` lines.

    What to do is at the end of an alarm's text, so the first one is wrapped; the others have a line
    each, which may be cut.

    Args:
        alarms: in their order.
        most: lines, at least one.
        wrap: returns a text of a style in lines.
        plan: of the station; None while unknown.
        said: why the run waits for a person, where that is above the alarms; an alarm does not
            repeat it.
    """
    if not alarms:
        return [_line("no alarm", "dim")]
    texts = [
        f"{'·' if one.acknowledged_by else '!'} {alarm_text(one, plan, said=said)}"
        for one in alarms
    ]
    styles = ["" if one.acknowledged_by else _NEW for one in alarms]
    others = len(alarms) - 1
    if others and most == 1:
        return [_line(f"! {len(alarms)} alarms: {texts[0][2:]}", styles[0])]
    whole = wrap(texts[0], styles[0])
    lines = whole[: most - (1 if others else 0)]
    if len(lines) < len(whole):
        lines[-1] = _line(f"{lines[-1].plain.rstrip()[:-1]}…", styles[0])
    left = most - len(lines)
    shown = others if others <= left else left - 1
    lines += [_line(texts[k], styles[k]) for k in range(1, shown + 1)]
    if others > shown:
        lines.append(_line(f"  and {count_text(others - shown, 'more alarm')}", "dim"))
    return lines


def _line(text: str, style: str) -> Text:
    return Text(text, style=style, no_wrap=True, overflow="ellipsis")
