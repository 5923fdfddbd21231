"""The card that stays with the radio: what whoever picks it up has to know, without the report."""

from __future__ import annotations

from dataclasses import dataclass

from analysis.assessment import Assessment
from analysis.card import RadioCard
from analysis.finding import Finding, Level
from analysis.report.matrix import highest, state_value, touch_findings
from analysis.report.owner import chassis_words, kind_of
from analysis.report.simulated import band
from analysis.report.text import listed, plain
from analysis.report.touching import high_or_low, joined_words, stands, touch_level
from analysis.report.ways import half_read, lower_way
from analysis.table import Radio

_TIED = ("tied", "tied-through-switch")
#: Points that the card names; more would not fit on it.
_MOST = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class CardText:
    """The card that stays with the radio."""

    band: str  #: that its readings are simulated; else empty
    signal: str  #: DANGER, WARNING or CAUTION
    title: str
    message: str
    chassis: str
    touch: str  #: the points, and what they rise to
    plug: str
    connect: tuple[str, ...]
    fuse: str
    date: str
    notice: str


def card_text(radio: Radio, assessment: Assessment, date: str) -> CardText:
    """The card that stays with the radio."""
    level = touch_level(assessment)
    finding = assessment.of("chassis-kind")
    signal, message = {
        Level.DANGER: ("DANGER", "Mains voltage on metal parts. Touching them can kill."),
        Level.CAUTION: ("WARNING", "Metal parts can carry voltage. Touching them could kill or injure."),
        Level.UNDECIDED: ("WARNING", "Metal parts were not shown to be free of mains voltage. Count them as live."),
        Level.WITHIN: ("CAUTION", "Mains voltage inside. Below the touch limits when it was measured, on that day."),
    }[level]
    return CardText(
        band=band(radio), signal=signal, title=plain(radio.card.title), message=message,
        chassis=chassis_words(finding), touch=_touch(radio, assessment, level),
        plug=_plug(radio, assessment, kind_of(finding), level), connect=_connections(radio, assessment, level),
        fuse=plain(radio.card.transformer.fuse, 80) or "not recorded", date=date,
        notice="Unplug before opening. Capacitors keep their charge. Local codes and licensed practice come first.",
    )  # fmt: skip


def _touch(radio: Radio, assessment: Assessment, level: Level) -> str:
    """The points by name with their highest volts, since the chassis is not all that is touched."""
    behind = ", with little current behind it" if level is Level.WITHIN else ""
    told = [f"{s.point} ({high_or_low(s)}{behind if s.current else ''})" for s in stands(radio, assessment)]
    if not told:
        return "All metal, while the plug is in."
    names = listed(told, most=_MOST)
    if level is Level.WITHIN:
        return f"All metal that was not measured, while the plug is in. Measured: {names}."
    return f"While the plug is in: {names}, and all other metal."


def _plug(radio: Radio, assessment: Assessment, kind: str, level: Level) -> str:
    found = touch_findings(assessment)
    name = "chassis" if "chassis" in found else next(iter(found), "")
    at = _ways(found[name], plain(name, 60), radio.card) if name else ""
    if radio.card.plug in ("polarised", "earthed"):
        return f"A socket that is wired the wrong way round can make the chassis live.{at}"
    if kind in _TIED or level is not Level.WITHIN:
        return f"Either way round of the plug can make the chassis live.{at}"
    return (
        f"Either way round of the plug changes what the chassis reads.{at}" if at else "See the report for both ways."
    )


def _ways(finding: Finding, name: str, card: RadioCard) -> str:
    """Which way measured lower where every state of both was read; else what was not."""
    open_ = [text.format(name) for text in half_read(finding, card)]
    if open_:
        return f" {' '.join(open_)}" if any(highest(finding, way) for way in "12") else ""
    lower, one, two = lower_way(finding, card), highest(finding, "1"), highest(finding, "2")
    if lower is None or one is None or two is None:
        return ""
    low, high = (one, two) if lower == "1" else (two, one)
    point = "" if name == "chassis" else f"{name} "
    return (f" At the socket used, way {lower} measured lower ({point}{state_value(low)}, the other way "
            f"{state_value(high)}).")  # fmt: skip


def _connections(radio: Radio, assessment: Assessment, level: Level) -> tuple[str, ...]:
    kind = kind_of(assessment.of("chassis-kind"))
    if kind in _TIED or level is Level.DANGER:
        return ("An earth wire, an aerial with bare metal, headphones, an extension loudspeaker.",
                "A record player, recorder, computer, telephone or anything else by wire.")  # fmt: skip
    if level is Level.WITHIN:
        return ("Anything that was not there when it was measured, until it has been measured again.",)
    return (f"An earth wire, headphones or other equipment by wire, until {_until(radio, assessment, level)}.",)


def _until(radio: Radio, assessment: Assessment, level: Level) -> str:
    """What has to happen first, by the cause of the level."""
    if level is Level.UNDECIDED:
        return "the missing readings have been taken"
    causes = []
    if any(s.level is Level.CAUTION for s in stands(radio, assessment)):
        causes.append("what reads high has been put right")
    if kind_of(assessment.of("chassis-kind")) in ("line-capacitor", "rc-coupled"):
        causes.append("the capacitor between the mains and the chassis has been replaced or removed")
    if not causes and joined_words(assessment):
        causes.append("the cause that the report names has been put right")
    return f"{listed(causes or ['what the report names has been put right'])} and the radio measured again"
