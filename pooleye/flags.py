"""The one list of everything pooleye may say about a photo besides numbers: flags, and reasons to decline.

A flag stands beside numbers and says what it does to them and how to cure it. A reason stands in their place. Whatever
is not listed here cannot be used: results refuse unknown names. Command line, reports, pages and docs print from here.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType

from pooleye.errors import KEBAB_CASE, PooleyeError


class Severity(StrEnum):
    """How much a flag asks of the reader."""

    INFO = "info"  # good to know; the numbers stand
    CAUTION = "caution"  # numbers are wider or missing; a better photo would help
    STOP = "stop"  # put the candle out and look at it before anything else


@dataclass(frozen=True)
class Flag:
    """One condition of a measured photo: what it means for the numbers, and how to cure it."""

    name: str
    severity: Severity
    meaning: str
    remedy: str

    def __post_init__(self) -> None:
        _require_words(self.name, self.meaning, self.remedy)


@dataclass(frozen=True)
class Reason:
    """One reason to decline a photo. `unread`: the file itself could not be taken in (exit status 1)."""

    name: str
    meaning: str
    hint: str
    unread: bool = False

    def __post_init__(self) -> None:
        _require_words(self.name, self.meaning, self.hint)


class Declined(PooleyeError):  # noqa: N818 - not an error, a finding
    """Raised while measuring, at the point where it shows that the photo cannot be measured.

    `reason` must be registered; without `hint` its own hint is used. `detail` says what was seen in this photo. The
    measuring functions turn it into a declined `PhotoResult`; it never reaches a person as an error.
    """

    def __init__(self, reason: str, detail: str | None = None, hint: str | None = None) -> None:
        known = reason_named(reason)
        super().__init__(known.name, detail or known.meaning, hint=hint or known.hint)


def _require_words(name: str, *texts: str) -> None:
    if not KEBAB_CASE.fullmatch(name):
        raise ValueError(f"{name!r} is not kebab-case")
    for text in texts:
        if not text.endswith("."):
            raise ValueError(f"{name}: {text!r} is not a full sentence")


INFO, CAUTION, STOP = Severity.INFO, Severity.CAUTION, Severity.STOP

_FLAGS = (
    # the photo and its camera
    Flag(
        "focal-assumed",
        INFO,
        "The photo does not say with which lens it was taken, so a usual phone lens is assumed; camera height, tilt and"
        " everything that lies below the rim are less certain.",
        "Send the original photo rather than a copy from a chat, which loses this note.",
    ),
    Flag(
        "clock-unknown",
        INFO,
        "The photo does not say when it was taken.",
        "Send the original photo, or give the time by hand.",
    ),
    Flag(
        "slightly-blurred",
        CAUTION,
        "Edges are soft, so every length is less certain.",
        "Rest the hands on something, tap on the rim to focus, add light.",
    ),
    # the vessel
    Flag(
        "several-candles",
        INFO,
        "There are several candles in the picture; the lit one, else the most central whole one, was measured.",
        "Take one photo per candle.",
    ),
    Flag(
        "rim-partly-hidden",
        CAUTION,
        "Part of the rim is hidden or lost in glare, so the rim and all that hangs on it are less certain.",
        "Clear the rim and move so that no lamp mirrors in it.",
    ),
    Flag(
        "pose-ambiguous",
        CAUTION,
        "The rim alone fits two ways of holding the phone, and the picture does not settle which; lengths below the"
        " rim are less certain.",
        "Hold the phone square above the candle, or give the headspace.",
    ),
    Flag(
        "camera-unsure",
        INFO,
        "The rim does not show well enough how the phone was held, so its tilt or its height is left out.",
        "Give the outer diameter of the rim, and keep the whole rim sharp and free of glare.",
    ),
    Flag(
        "oblique",
        CAUTION,
        "The photo was taken well off square, so lengths are less certain and the near wall hides a part.",
        "Hold the phone square above the candle's place, beside the plume and never over a flame.",
    ),
    Flag(
        "taper-unused",
        CAUTION,
        "The inner diameter at the base was given without the vessel's height, so nothing says how fast it narrows; the"
        " walls were taken as straight, and lengths below the rim are wrong by the taper.",
        "Give the vessel's height too, with --vessel-height.",
    ),
    Flag(
        "headspace-estimated",
        INFO,
        "The distance from rim to wax was read from the picture, so the pool's size is less certain.",
        "Measure from the rim down to the wax and give it with --headspace.",
    ),
    Flag(
        "headspace-unseen",
        CAUTION,
        "The picture does not show how far below the rim the wax lies; a wide range was allowed for.",
        "Measure from the rim down to the wax and give it with --headspace.",
    ),
    Flag(
        "headspace-doubtful",
        CAUTION,
        "The headspace that was given does not fit what the picture shows.",
        "Measure again from the rim straight down to the wax.",
    ),
    # the melt pool
    Flag(
        "pool-none",
        INFO,
        "No melt pool was found; the wax looks solid all over.",
        "Nothing to do if the candle is unlit.",
    ),
    Flag(
        "pool-uncertain",
        CAUTION,
        "The edge between liquid and solid wax is faint, so the pool's size is less certain or left out.",
        "Take the photo in soft daylight from the side, without flash.",
    ),
    Flag(
        "pool-edge-hidden",
        CAUTION,
        "The near wall, glare or shadow hides part of the pool's edge; that part is filled in, and less certain.",
        "Hold the phone more nearly square above the candle, and away from the lamp's mirror image.",
    ),
    Flag(
        "pool-unmeasured",
        CAUTION,
        "The melt pool could not be told from solid wax, so its size is left out.",
        "Take the photo in soft daylight from the side, without flash.",
    ),
    # wick and flame
    Flag(
        "flame-hides-wick",
        INFO,
        "The flame hides the wick, so its place is less certain, and its lean and carbon ball may be left out.",
        "Take one more photo after snuffing the flame.",
    ),
    Flag(
        "wick-unseen",
        CAUTION,
        "The wick was not found, so its place is left out.",
        "Take one more photo after snuffing the flame, in better light.",
    ),
    Flag(
        "several-wicks",
        INFO,
        "The candle has several wicks; the pool is measured as one area.",
        "Nothing to do.",
    ),
    Flag(
        "debris-seen",
        CAUTION,
        "Something lies on the wax, such as a match head, a wick trimming or a crumb of carbon; it can feed the flame"
        " or burn as a second wick.",
        "Put the flame out, let the wax set, and take it out before the next burn.",
    ),
    Flag(
        "wick-adrift",
        STOP,
        "The wick stands near the wall or has moved since the other photo: the flame can crack the vessel.",
        "Put the flame out, let the candle cool, and do not light it again before the wick is fixed.",
    ),
    Flag(
        "wick-perhaps-adrift",
        CAUTION,
        "The wick stands so near the wall, or seems to have moved so far since the other photo, that the photo does not"
        " tell whether it is still safe.",
        "Put the flame out and measure from the wick to the wall; under 10 mm, or if it is loose, do not light it"
        " again before it is fixed.",
    ),
    Flag(
        "second-flame",
        STOP,
        "More flames burn than the candle has wicks.",
        "Put it out by covering it, never with water; let it cool and take out what burnt.",
    ),
    # from the side
    Flag(
        "flame-none",
        INFO,
        "No flame was seen; a flame that burns deep in an opaque vessel may be hidden.",
        "If the candle burns, hold the phone a little higher and take the photo again.",
    ),
    Flag(
        "flame-unseen",
        CAUTION,
        "Where a flame would stand the wall hides it, the picture is burnt out or something else shines: whether one "
        "burns is left open.",
        "Hold the phone a little higher, before a plain background, and tap on the wax so that the phone darkens it.",
    ),
    Flag(
        "flame-foot-hidden",
        INFO,
        "The wall or a ring of wax hides the foot of the flame; its whole height is known only from the headspace.",
        "Give the headspace, or hold the phone a little higher.",
    ),
    Flag(
        "flame-foot-lost",
        CAUTION,
        "The foot of the flame is lost in glare, so its height is less certain.",
        "Tap on the flame so that the phone darkens the picture.",
    ),
    Flag(
        "flame-tip-lost",
        CAUTION,
        "The tip of the flame is lost in the glow of the rim or before something bright; its height is less certain.",
        "Take the photo before a darker background, from a little higher or lower.",
    ),
    Flag(
        "flame-height-unknown",
        CAUTION,
        "The flame shows in part, or as a glow only, so its whole height is left out.",
        "Give the headspace, or hold the phone a little higher.",
    ),
    Flag(
        "flame-diffuse",
        INFO,
        "The glass scatters the light of the flame, so its width is left out and its other sizes are less certain.",
        "Hold the phone a little higher, to look over the rim.",
    ),
    Flag(
        "smoke-unseen",
        INFO,
        "The background does not allow to tell whether there is smoke.",
        "Take the photo before a plain background, with some room above the flame.",
    ),
    Flag(
        "wax-line-unseen",
        INFO,
        "No wax line shows through the wall, so wax level and pool depth are left out.",
        "Nothing to do if the vessel is not of clear glass.",
    ),
    Flag(
        "view-uncertain",
        CAUTION,
        "The picture does not tell clearly whether it was taken from above or from the side.",
        "Say it with --view top or --view side.",
    ),
    Flag(
        "clip-cut-short",
        CAUTION,
        "The clip is damaged or cut short; only its sound part was measured.",
        "Copy the clip from the phone again.",
    ),
    Flag(
        "clip-shortened",
        INFO,
        "The clip is long; only its first part was measured.",
        "Ten seconds are enough.",
    ),
    Flag(
        "clip-too-short",
        INFO,
        "Too few pictures, or too short a time, to tell how the flame flickers.",
        "Film for ten seconds, or take a burst of a dozen photos or more.",
    ),
    Flag(
        "clip-times-missing",
        CAUTION,
        "Clip or photos do not say, to a part of a second, when each picture was taken: no flicker frequency is given.",
        "Send clip or photos as the phone made them, not converted copies; a clip knows its times best.",
    ),
    Flag(
        "flame-lost-at-times",
        CAUTION,
        "The flame was not seen in a good part of the pictures, so mean and flicker are less certain.",
        "Keep the flame in the picture, before a background darker than it.",
    ),
    Flag(
        "flicker-none",
        INFO,
        "The flame's height does not swing at any one frequency.",
        "Nothing to do.",
    ),
    Flag(
        "flicker-may-alias",
        INFO,
        "The flicker is nearly as fast as the pictures can show; the true frequency may be higher.",
        "Take more pictures per second.",
    ),
    Flag(
        "outer-size-assumed",
        CAUTION,
        "The outer diameter was not given, so a usual wall was added to the inner one; all lengths are less certain.",
        "Measure the rim over its lips and give it with --rim-outer.",
    ),
    Flag(
        "vessel-height-read",
        INFO,
        "The height of the vessel was not given and was read from the picture.",
        "Give it with --vessel-height.",
    ),
    # soot
    Flag(
        "soot-no-baseline",
        INFO,
        "Soot is judged without a photo of the clean wall, so faint soot may be missed.",
        "Take one photo of the new, unlit candle and give it with --baseline.",
    ),
    Flag(
        "soot-unseen",
        CAUTION,
        "Too little of the inner wall shows, so soot is left out.",
        "Tilt the phone a little so that the wall below the rim shows.",
    ),
    Flag(
        "soot-hardly-shown",
        CAUTION,
        "Much of the wall that shows is too low a strip to tell soot from shadow, so soot there is a rough value.",
        "Tilt the phone a little, and take a second photo from the other side.",
    ),
    Flag(
        "soot-part-unseen",
        INFO,
        "The photo does not show the inner wall all round, so nothing is said of soot on the rest.",
        "Take a second photo from the other side and give both to pooleye soot.",
    ),
    Flag(
        "turn-unknown",
        INFO,
        "Nothing tells how far the vessel was turned since the other photo, so clock positions are not compared.",
        "Put a mark on the vessel and keep it at 12 o'clock.",
    ),
    Flag(
        "baseline-unusable",
        CAUTION,
        "The baseline photo could not be used, so the photo was measured without it.",
        "Give a sharp photo of the same candle, new and unlit, taken from above.",
    ),
)

_REASONS = (
    Reason(
        "unreadable",
        "The file cannot be read as a photo.",
        "Send the original JPEG, HEIC, PNG or WebP file from the phone again.",
        unread=True,
    ),
    Reason(
        "too-large",
        "The file is larger than any phone photo.",
        "Send the photo as the phone took it, at most 120 megapixels and 100 MB.",
        unread=True,
    ),
    Reason(
        "animated",
        "The file holds several pictures that play one after another.",
        "Send a single still photo.",
        unread=True,
    ),
    Reason(
        "too-small",
        "The picture has too few pixels to measure in.",
        "Send the original photo from the phone, not a thumbnail, with the vessel filling most of it.",
    ),
    Reason(
        "too-dark",
        "The picture is too dark to show the vessel.",
        "Switch on a room light or go nearer to a window, without flash.",
    ),
    Reason(
        "overexposed",
        "The picture is so bright that rim and wax are lost in white.",
        "Tap on the wax so that the phone darkens the picture, and keep flash and sun away.",
    ),
    Reason(
        "blurred",
        "The picture is too blurred to measure in.",
        "Rest the hands on something, tap on the rim to focus, and add light.",
    ),
    Reason(
        "no-vessel",
        "No round rim of a vessel was found.",
        "Take the whole vessel from above, alone on a plain table, filling most of the picture.",
    ),
    Reason(
        "no-candle",
        "There is a round rim, but no candle in it.",
        "Take the candle from above, so that its wax shows inside the rim.",
    ),
    Reason(
        "rim-cut-off",
        "The picture's edge cuts off part of the rim.",
        "Go back a little until the whole rim is in the picture.",
    ),
    Reason(
        "too-oblique",
        "The photo was taken too far from above to measure in.",
        "Hold the phone square above the candle's place, beside the plume and never over a flame.",
    ),
    Reason(
        "not-round",
        "The mouth of the vessel is not round, and only round mouths can be measured.",
        "Measure this vessel by hand.",
    ),
    Reason(
        "shouldered",
        "The vessel's mouth is narrower than the wax, so the rim hides the edge of the pool.",
        "Measure this vessel by hand.",
    ),
    Reason(
        "flame-cut-off",
        "The flame goes out of the top of the picture.",
        "Go back a little until the whole flame is in the picture, with some room above it.",
    ),
    Reason(
        "no-flame",
        "No flame was found.",
        "Take the photo while the candle burns, from the side, with the whole flame in the picture.",
    ),
    Reason(
        "clip-from-above",
        "Clips are measured from the side only.",
        "Film from the side for the flame; take a still photo from above for the melt pool.",
    ),
)


FLAGS: Mapping[str, Flag] = MappingProxyType({flag.name: flag for flag in _FLAGS})
REASONS: Mapping[str, Reason] = MappingProxyType({reason.name: reason for reason in _REASONS})

if len(FLAGS) != len(_FLAGS) or len(REASONS) != len(_REASONS) or FLAGS.keys() & REASONS.keys():
    raise ValueError("a flag or reason is listed twice")


def flag_named(name: str) -> Flag:
    """The registered flag of that name; ValueError if there is none."""
    if name not in FLAGS:
        raise ValueError(f"flag {name!r} is not registered in pooleye.flags")
    return FLAGS[name]


def reason_named(name: str) -> Reason:
    """The registered reason of that name; ValueError if there is none."""
    if name not in REASONS:
        raise ValueError(f"reason {name!r} is not registered in pooleye.flags")
    return REASONS[name]


def stops_first(names: Iterable[str]) -> list[Flag]:
    """The flags of these names, most urgent first, each once, otherwise in the order given."""
    urgency = {STOP: 0, CAUTION: 1, INFO: 2}
    return sorted((flag_named(name) for name in dict.fromkeys(names)), key=lambda flag: urgency[flag.severity])


def registry_as_markdown() -> str:
    """docs/flags.md, whole."""
    return "\n".join(
        [
            "# Flags and reasons",
            "",
            "Made by `pooleye flags --markdown`; edit `pooleye/flags.py` instead.",
            "",
            "## Flags: said beside the numbers",
            "",
            "| flag | severity | what it means | what to do |",
            "|---|---|---|---|",
            *(f"| `{f.name}` | {f.severity} | {f.meaning} | {f.remedy} |" for f in FLAGS.values()),
            "",
            "## Reasons: why a photo was declined",
            "",
            "| reason | what it means | what to do | exit status |",
            "|---|---|---|---|",
            *(f"| `{r.name}` | {r.meaning} | {r.hint} | {int(r.unread)} |" for r in REASONS.values()),
            "",
        ]
    )
