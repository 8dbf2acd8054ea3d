"""The trade's spellings of a column name, by tokens: quantity, phase, statistic, order, unit, in any order.

Nothing here knows whole headers or makers. A word is cut by patterns that the trade shares (``VL1``, ``THDi``, ``Ih5``,
``kW``); what a word can mean twice is kept as such and decided by evidence (`headers/evidence_of_numbers.py`).
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Sequence

from msgspec import Struct, field

from pqcheck.io.headers.trade_words import in_english
from pqcheck.model.quantities import HIGHEST_ORDER
from pqcheck.model.units import in_alias_table, symbol_of

UNITS = frozenset((
    "V", "kV", "mV", "A", "kA", "mA", "Hz", "mHz", "%", "W", "kW", "MW", "var", "kvar", "Mvar", "VA", "kVA", "MVA",
    "Wh", "kWh", "MWh", "varh", "kvarh", "Mvarh", "pu",
))
_BRACKETS = re.compile(r"[\[(]\s*([^\[\]()]*?)\s*[\])]")
_SPLIT = re.compile(r"[\s_./:;,|\u00b7\-\u2013\[\](){}]+")
_PAIR = re.compile(
    r"(?<![A-Za-z0-9])([Ll]?[123]|[ABCRSTYabcrsty])\s*[-\u2013/_]\s*([Ll]?[123]|[ABCRSTYabcrsty]|N|n)(?![A-Za-z0-9])"
)

_OF_FUNDAMENTAL = re.compile(r"THD[\s_-]*F(?![A-Za-z])|%\s*f(?![A-Za-z])|fund", re.IGNORECASE)

_QUANTITY_WORDS = {
    "voltage": "voltage", "volt": "voltage", "volts": "voltage",
    "urms": "voltage", "vrms": "voltage", "vln": "voltage", "vll": "voltage", "uln": "voltage", "ull": "voltage",
    "current": "current", "amps": "current", "amp": "current", "ampere": "current", "amperes": "current",
    "irms": "current",
    "frequency": "frequency", "freq": "frequency", "f": "frequency", "hz": "frequency",
    "active": "active_power", "real": "active_power", "watts": "active_power",
    "watt": "active_power", "kw": "active_power", "mw": "active_power", "p": "active_power",
    "reactive": "reactive_power", "kvar": "reactive_power",
    "var": "reactive_power", "mvar": "reactive_power", "vars": "reactive_power", "q": "reactive_power",
    "apparent": "apparent_power", "kva": "apparent_power",
    "mva": "apparent_power", "va": "apparent_power?", "s": "apparent_power",
    "pf": "power_factor", "powerfactor": "power_factor", "\u03bb": "power_factor", "lambda": "power_factor",
    "dpf": "displacement_power_factor", "cos\u03c6": "displacement_power_factor",
    "cosphi": "displacement_power_factor", "cosfi": "displacement_power_factor",
    "pst": "flicker_pst", "plt": "flicker_plt",
    "unbalance": "unbalance", "imbalance": "unbalance", "asymmetry": "unbalance",
    "vuf": "negative_sequence_unbalance", "unb": "unbalance",
    "thd": "thd", "thdf": "thd", "thdr": "thd-r", "tdd": "current_tdd", "trd": "current_trd",
    "harmonic": "harmonic", "harmonics": "harmonic", "harm": "harmonic",
    "fundamental": "fundamental", "fund": "fundamental",
    "kwh": "active_energy", "wh": "active_energy", "mwh": "active_energy", "energy": "active_energy",
    "kvarh": "reactive_energy", "varh": "reactive_energy",
    "flag": "flag", "flags": "flag", "flagged": "flag",
}
_READING_WORDS = {
    "min": "min", "minimum": "min", "mn": "min", "lo": "min", "low": "min", "lowest": "min",
    "max": "max", "maximum": "max", "mx": "max", "hi": "max", "high": "max", "highest": "max",
    "avg": "mean", "average": "mean", "mean": "mean",
    "rms": "rms", "trms": "rms",
}
_OTHER_READINGS = frozenset((
    "inst", "instant", "instantaneous", "last", "peak", "pk", "crest", "std", "stdev", "angle", "phi", "count",
))
_PHASE_WORDS = {
    "l1": "1", "l2": "2", "l3": "3", "1": "1", "2": "2", "3": "3", "a": "a", "b": "b", "c": "c",
    "r": "r", "s": "s", "t": "t", "y": "y", "x1": "1", "x2": "2", "leg1": "1", "leg2": "2",
    "n": "n", "neutral": "n", "ng": "ng", "ne": "ng", "npe": "ng", "total": "total", "tot": "total", "sum": "total",
    "\u03c3": "total", "\u2211": "total", "3ph": "total", "sys": "total", "system": "total",
    "an": "an", "bn": "bn", "cn": "cn", "ab": "ab", "bc": "bc", "ca": "ca", "l1n": "1n", "l2n": "2n", "l3n": "3n",
    "l1l2": "12", "l2l3": "23", "l3l1": "31", "12": "12", "23": "23", "31": "31", "1n": "1n", "2n": "2n", "3n": "3n",
    "rn": "rn", "sn": "sn", "tn": "tn", "yn": "yn", "rs": "rs", "st": "st", "tr": "tr", "ry": "ry", "yb": "yb",
    "br": "br", "ac": "ca", "13": "31",
}
_LINE = r"l?[123]n?|l[123]l[123]|12|23|31|13|[abcrsty]n?|ab|bc|ca|ac|rs|st|tr|ry|yb|br|ln|ll|ng|ne|n|4"
_COMPACT = (
    (re.compile(rf"(?P<q>[uvi])thd(?P<b>[fr]?)(?P<p>{_LINE})?\Z"), "thd"),
    (re.compile(rf"thd(?P<b>[fr]?)(?P<q>[uvi])?(?P<b2>rms)?(?P<p>{_LINE})?\Z"), "thd"),
    (re.compile(rf"tdd(?P<q>i)?(?P<p>{_LINE})?\Z"), "tdd"),
    (re.compile(rf"(?P<q>[uvi])(?:rms)?(?P<p>{_LINE})?h(?P<h>\d{{1,2}})\Z"), "harmonic"),
    (re.compile(r"h(?P<h>\d{1,2})\Z"), "order"),
    (re.compile(rf"(?P<q>[uvi])(?:rms)?_?(?P<p>{_LINE})\Z"), "rms"),
    (re.compile(r"(?P<q>[uvi])(?P<h>[5-9]|[1-5]\d)\Z"), "harmonic"),
    (re.compile(r"(?P<q>a|w)(?P<p>[123])\Z"), "unit"),
    (re.compile(rf"(?P<q>pst|plt|dpf|pf|cos\u03c6|cosphi)(?P<p>{_LINE}|t|tot|total|sum)?\Z"), "word"),
    (re.compile(rf"(?P<q>kw|kvar|kva|p|q|s)(?P<p>{_LINE}|tot|total|sum)\Z"), "word"),
    (re.compile(r"(?P<q>amps?|volts?)(?P<p>[abc123])\Z"), "word"),
)
_SECOND = frozenset(("l1", "l2", "l3", "a", "b", "c"))
_LETTER = {"u": "voltage", "v": "voltage", "i": "current"}


class Tokens(Struct):
    """What the words of one header say. Words nobody knows are in `rest`; `doubts` say what could be meant twice."""

    quantity: str = ""
    kind: str = ""
    """voltage or current, where the quantity (thd, harmonic) belongs to one of them."""
    phase: str = ""
    order: int | None = None
    reading: str = ""
    other_reading: str = ""
    unit: str = ""
    base: str = ""
    line: str = ""
    """ln or ll, where the header says so without naming phases."""
    rest: list[str] = field(default_factory=list)
    letters: bool = False
    """The quantity is a bare letter (``V1``), which also names fundamentals and sequence components."""
    digit: bool = False
    """The phase is a digit glued to that letter, so the 1 of ``I1`` may be an order."""


def is_unit(text: str) -> bool:
    """Whether a text is a unit of a recorded quantity."""
    return text == "1" or bool(unit_of(text))


def unit_of(text: str) -> str:
    """The usual spelling of a unit text, or nothing."""
    text = unicodedata.normalize("NFKC", text).strip()
    if text in ("% of nominal", "% of rms", "%Un", "% Un", "%r"):
        return {"%Un": "% of nominal", "% Un": "% of nominal", "%r": "% of rms"}.get(text, text)
    if text in ("%f", "%F", "% f", "%THD", "% THD"):
        return "%"
    # A bare "a" or "v" in a line of units is a letter that slipped; in a header it is more likely a phase.
    if not text or not in_alias_table(text):
        return ""
    symbol = symbol_of(text)
    return symbol if symbol in UNITS else ""


def names_quantity(text: str) -> bool:
    """Whether a text names something measurable (not only a phase, a statistic or a unit)."""
    tokens = tokens_of(text)
    return bool(tokens.quantity or tokens.order is not None)


def tokens_of(header: str, unit: str = "") -> Tokens:
    """The tokens of a header; `unit` is what a line of units says about the column."""
    tokens = Tokens(unit=unit_of(unit))
    text = unicodedata.normalize("NFKC", header).replace("cos \u03c6", "cos\u03c6").replace("\u03d5", "\u03c6")
    text = re.sub(r"cos\s*(?:phi|\u03c6)", "cos\u03c6", text, flags=re.IGNORECASE)
    text = re.sub(r"THD\s*-\s*([FR])\b", r"THD\1", text, flags=re.IGNORECASE)
    text = re.sub(r"\bpower\s*factor\b", "pf", text, flags=re.IGNORECASE)
    text = re.sub(r"\bL\s*-\s*N\b", " ln ", text)
    text = re.sub(r"\bL\s*-\s*L\b", " ll ", text)
    text = re.sub(r"(?<![A-Za-z])([UV]?)N\s*-\s*(G|PE|E)\b", r" \1 ng ", text)
    for bracket in _BRACKETS.finditer(text):
        if unit_of(bracket[1]):
            tokens.unit = tokens.unit or unit_of(bracket[1])
    text = _BRACKETS.sub(lambda match: " " if unit_of(match[1]) else match[0], text)
    text = _PAIR.sub(lambda match: f" {match[1]}{match[2]} ".lower(), text)
    words = in_english([word for word in _SPLIT.split(text) if word])
    if (
        len(words) > 1 and not tokens.unit and unit_of(words[-1]) and words[-1] not in ("A", "a", "v", "V", "va", "VA")
        and not _is_phase_w(words)
    ):
        tokens.unit = unit_of(words[-1])
        if words[-1].lower() not in _QUANTITY_WORDS:
            words.pop()
    elif len(words) > 1 and not tokens.unit and words[-1] in ("A", "V", "VA"):
        # "U L1 V" ends in its unit; "THD A" and "Amps A" end in a phase, told by what stands before.
        rest = tokens_of(" ".join(words[:-1]))
        if rest.phase and _fits(rest, words[-1]):
            tokens.unit = words.pop()
    if "%" in words:
        tokens.unit = tokens.unit or "%"
    if words and words[0].startswith("%"):
        tokens.unit = tokens.unit or "%"
        words[0] = words[0][1:]
    if words and len(words[-1]) > 1 and words[-1].endswith("%"):
        tokens.unit = tokens.unit or "%"
        words[-1] = words[-1][:-1]
    for at, word in enumerate(words):
        if word:
            _take(tokens, word, words[at + 1] if at + 1 < len(words) else "")
    _settle(tokens)
    tokens.base = "f" if _OF_FUNDAMENTAL.search(f"{header} {unit}") else ""
    return tokens


def _is_phase_w(words: Sequence[str]) -> bool:
    """Whether a last "W" is the third of the phases U, V, W: watts are no unit of a voltage or a current."""
    return words[-1] in ("w", "W") and tokens_of(" ".join(words[:-1])).kind in ("voltage", "current")


def _fits(tokens: Tokens, unit: str) -> bool:
    kind = tokens.kind or tokens.quantity
    return {"V": "voltage", "A": "current", "VA": "apparent_power"}[unit] == kind


def _take(tokens: Tokens, word: str, following: str) -> None:
    low = word.lower()
    if low in ("ln", "ll"):
        tokens.line = low
    elif low == "order" or (low == "h" and following.isdigit()):
        tokens.quantity = tokens.quantity or "harmonic"
    elif re.fullmatch(r"\d{1,2}(st|nd|rd|th)", low):
        tokens.order = int(low[:-2])
    elif low.isdigit() and tokens.quantity == "harmonic" and tokens.order is None:
        tokens.order = int(low)
    elif low in _READING_WORDS:
        tokens.reading = tokens.reading or _READING_WORDS[low]
    elif low in _OTHER_READINGS or (re.fullmatch(r"p?\d{2}%?|\d{2}th", low) and low.strip("p%th") in ("5", "95", "99")):
        tokens.other_reading = low
    elif low in ("u", "v", "i") and not tokens.quantity:
        tokens.kind = tokens.kind or _LETTER[low]
        tokens.quantity = _LETTER[low]
        tokens.letters = True
    elif low in ("u", "v", "i") and tokens.quantity in ("thd", "thd-r", "harmonic", "unbalance"):
        tokens.kind = tokens.kind or _LETTER[low]
    elif low in ("u", "v", "w") and tokens.quantity and not tokens.phase:
        # Whether these are phases at all, the other headers of the file say.
        tokens.phase = low
    elif (low == "u2" and tokens.unit == "%") or low == "u0":
        tokens.quantity = "negative_sequence_unbalance" if low == "u2" else "zero_sequence_unbalance"
        tokens.rest.append(low)
    elif low in ("s", "t", "r") and tokens.quantity and not tokens.phase:
        tokens.phase = low
    elif low == "va" and tokens.quantity in ("thd", "thd-r", "harmonic"):
        tokens.kind, tokens.phase = "voltage", tokens.phase or "a"
    elif low in _QUANTITY_WORDS:
        _quantity(tokens, _QUANTITY_WORDS[low])
        tokens.unit = tokens.unit or (unit_of(word) if len(word) > 1 and low != "va" else "")
    elif low in _PHASE_WORDS and not tokens.phase:
        tokens.phase = _PHASE_WORDS[low]
    elif low in _SECOND and tokens.digit and tokens.phase == "1" and tokens.quantity in ("voltage", "current"):
        # "I1 L2": one of the two is no phase, so the first is the order.
        tokens.phase, tokens.quantity = _PHASE_WORDS[low], "fundamental"
    elif not _compact(tokens, low):
        if low in ("power", "factor", "line", "phase", "ph", "value", "sliding", "import", "imp", "export", "exp",
                   "distortion", "to", "of", "the", "negative", "zero", "sequence", "dmd", "demand"):
            tokens.rest.append(low)
        else:
            tokens.rest.append("?" + word)


def _quantity(tokens: Tokens, name: str) -> None:
    if name in ("thd", "thd-r", "harmonic", "unbalance", "fundamental") and tokens.quantity in ("voltage", "current"):
        tokens.kind, tokens.quantity = tokens.quantity, name
    elif name in ("voltage", "current") and tokens.quantity:
        tokens.kind = tokens.kind or name
    elif not tokens.quantity or name == "flicker_pst":
        tokens.quantity = name
        if name in ("voltage", "current"):
            tokens.kind = name


def _compact(tokens: Tokens, low: str) -> bool:
    for pattern, role in _COMPACT:
        match = pattern.match(low)
        if match is None:
            continue
        parts = match.groupdict()
        phase = parts.get("p") or ""
        if phase in ("ln", "ll"):
            tokens.line, phase = phase, ""
        if phase and not tokens.phase:
            tokens.phase = _PHASE_WORDS.get(phase, {"t": "total", "4": "4"}.get(phase, phase))
        if role == "thd":
            tokens.quantity = "thd-r" if "r" in (parts.get("b") or "") or parts.get("b2") else "thd"
            tokens.kind = tokens.kind or _LETTER.get(parts.get("q") or "", "")
        elif role == "tdd":
            tokens.quantity = "current_tdd"
        elif role in ("harmonic", "order"):
            tokens.order = int(parts["h"])
            tokens.kind = tokens.kind or _LETTER.get(parts.get("q") or "", "")
            if tokens.quantity in ("voltage", "current"):
                tokens.kind = tokens.quantity
            tokens.quantity = "harmonic"
        elif role == "rms":
            if tokens.quantity in ("thd", "thd-r", "harmonic", "fundamental", "unbalance"):
                tokens.kind = tokens.kind or _LETTER[parts["q"]]
            else:
                tokens.quantity = tokens.quantity or _LETTER[parts["q"]]
                tokens.kind = tokens.kind or _LETTER[parts["q"]]
                tokens.letters = True
                tokens.digit = phase in ("1", "2", "3") and "rms" not in low
        elif role == "unit":
            _quantity(tokens, {"a": "current", "w": "active_power"}[parts["q"]])
            tokens.unit = tokens.unit or parts["q"].upper()
        else:
            tokens.unit = tokens.unit or (unit_of(parts["q"]) if len(parts["q"]) > 1 else "")
            _quantity(tokens, _QUANTITY_WORDS.get(parts["q"], _QUANTITY_WORDS.get(parts["q"].rstrip("s"), "")))
        return True
    return False


def _settle(tokens: Tokens) -> None:
    """Join what was said in parts: "harmonic" with a kind, power words with what follows them."""
    if tokens.quantity == "apparent_power?":
        # "Va" alone is phase a of the voltage; with a phase beside it "VA" is apparent power.
        if tokens.phase:
            tokens.quantity = "apparent_power"
        else:
            tokens.quantity, tokens.kind, tokens.phase, tokens.letters = "voltage", "voltage", "a", True
    if tokens.order is not None and tokens.quantity in ("", "voltage", "current"):
        tokens.kind, tokens.quantity = tokens.kind or tokens.quantity, "harmonic"
    if tokens.quantity == "unbalance" and "zero" in tokens.rest:
        tokens.quantity = "zero_sequence_unbalance"
    elif tokens.quantity == "unbalance" and "negative" in tokens.rest:
        tokens.quantity = "negative_sequence_unbalance"
    if tokens.order is not None and not 1 <= tokens.order <= HIGHEST_ORDER:
        tokens.order = None
    if not tokens.quantity and tokens.unit and tokens.phase:
        # "L1 (V)": the unit names the quantity.
        tokens.quantity = {"V": "voltage", "kV": "voltage", "A": "current", "mA": "current", "kA": "current",
                          "kW": "active_power", "kvar": "reactive_power", "kVA": "apparent_power"}.get(tokens.unit, "")
        tokens.kind = tokens.quantity if tokens.quantity in ("voltage", "current") else ""
