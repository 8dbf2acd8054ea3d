"""The trade's spellings of a column name, by tokens: quantity, phase, statistic, order, unit, in any order.

Nothing here knows whole headers or makers. A word is cut by patterns that the trade shares (``VL1``, ``THDi``, ``Ih5``,
``kW``); what a word can mean twice is kept as such and decided by evidence (`headers/evidence_of_numbers.py`).
"""

from __future__ import annotations

import re
import unicodedata

from msgspec import Struct, field

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
    "voltage": "voltage", "volt": "voltage", "volts": "voltage", "spannung": "voltage", "tension": "voltage",
    "urms": "voltage", "vrms": "voltage", "vln": "voltage", "vll": "voltage", "uln": "voltage", "ull": "voltage",
    "current": "current", "amps": "current", "amp": "current", "ampere": "current", "amperes": "current",
    "strom": "current", "courant": "current", "irms": "current",
    "frequency": "frequency", "freq": "frequency", "f": "frequency", "hz": "frequency", "frequenz": "frequency",
    "active": "active_power", "wirkleistung": "active_power", "real": "active_power", "watts": "active_power",
    "watt": "active_power", "kw": "active_power", "mw": "active_power", "p": "active_power",
    "reactive": "reactive_power", "blindleistung": "reactive_power", "kvar": "reactive_power",
    "var": "reactive_power", "mvar": "reactive_power", "vars": "reactive_power", "q": "reactive_power",
    "apparent": "apparent_power", "scheinleistung": "apparent_power", "kva": "apparent_power",
    "mva": "apparent_power", "va": "apparent_power?", "s": "apparent_power",
    "pf": "power_factor", "powerfactor": "power_factor", "\u03bb": "power_factor", "lambda": "power_factor",
    "dpf": "displacement_power_factor", "cos\u03c6": "displacement_power_factor",
    "cosphi": "displacement_power_factor", "cosfi": "displacement_power_factor",
    "pst": "flicker_pst", "plt": "flicker_plt",
    "unbalance": "unbalance", "imbalance": "unbalance", "asymmetry": "unbalance", "unsymmetrie": "unbalance",
    "vuf": "negative_sequence_unbalance", "unb": "unbalance",
    "thd": "thd", "thdf": "thd", "thdr": "thd-r", "tdd": "current_tdd", "trd": "current_trd",
    "harmonic": "harmonic", "harmonics": "harmonic", "harm": "harmonic", "oberschwingung": "harmonic",
    "fundamental": "fundamental", "fund": "fundamental",
    "kwh": "active_energy", "wh": "active_energy", "mwh": "active_energy", "energy": "active_energy",
    "kvarh": "reactive_energy", "varh": "reactive_energy",
    "flag": "flag", "flags": "flag", "flagged": "flag",
}
_READING_WORDS = {
    "min": "min", "minimum": "min", "mn": "min", "lo": "min", "low": "min", "lowest": "min",
    "max": "max", "maximum": "max", "mx": "max", "hi": "max", "high": "max", "highest": "max",
    "avg": "mean", "average": "mean", "mean": "mean", "mittel": "mean", "mittelwert": "mean", "moy": "mean",
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
    found = tokens_of(text)
    return bool(found.quantity or found.order is not None)


def tokens_of(header: str, unit: str = "") -> Tokens:
    """The tokens of a header; `unit` is what a line of units says about the column."""
    found = Tokens(unit=unit_of(unit))
    text = unicodedata.normalize("NFKC", header).replace("cos \u03c6", "cos\u03c6").replace("\u03d5", "\u03c6")
    text = re.sub(r"cos\s*(?:phi|\u03c6)", "cos\u03c6", text, flags=re.IGNORECASE)
    text = re.sub(r"THD\s*-\s*([FR])\b", r"THD\1", text, flags=re.IGNORECASE)
    text = re.sub(r"\b(power|leistungs)\s*(factor|faktor)\b", "pf", text, flags=re.IGNORECASE)
    text = re.sub(r"\bL\s*-\s*N\b", " ln ", text)
    text = re.sub(r"\bL\s*-\s*L\b", " ll ", text)
    text = re.sub(r"(?<![A-Za-z])([UV]?)N\s*-\s*(G|PE|E)\b", r" \1 ng ", text)
    for bracket in _BRACKETS.finditer(text):
        if unit_of(bracket[1]):
            found.unit = found.unit or unit_of(bracket[1])
    text = _BRACKETS.sub(lambda match: " " if unit_of(match[1]) else match[0], text)
    text = _PAIR.sub(lambda match: f" {match[1]}{match[2]} ".lower(), text)
    words = [word for word in _SPLIT.split(text) if word]
    if len(words) > 1 and not found.unit and unit_of(words[-1]) and words[-1] not in ("A", "a", "v", "V", "va", "VA"):
        found.unit = unit_of(words[-1])
        if words[-1].lower() not in _QUANTITY_WORDS:
            words.pop()
    elif len(words) > 1 and not found.unit and words[-1] in ("A", "V", "VA"):
        # "U L1 V" ends in its unit; "THD A" and "Amps A" end in a phase, told by what stands before.
        rest = tokens_of(" ".join(words[:-1]))
        if rest.phase and _fits(rest, words[-1]):
            found.unit = words.pop()
    if "%" in words:
        found.unit = found.unit or "%"
    if words and words[0].startswith("%"):
        found.unit = found.unit or "%"
        words[0] = words[0][1:]
    if words and len(words[-1]) > 1 and words[-1].endswith("%"):
        found.unit = found.unit or "%"
        words[-1] = words[-1][:-1]
    for at, word in enumerate(words):
        if word:
            _take(found, word, words[at + 1] if at + 1 < len(words) else "")
    _settle(found)
    found.base = "f" if _OF_FUNDAMENTAL.search(f"{header} {unit}") else ""
    return found


def _fits(found: Tokens, unit: str) -> bool:
    kind = found.kind or found.quantity
    return {"V": "voltage", "A": "current", "VA": "apparent_power"}[unit] == kind


def _take(found: Tokens, word: str, following: str) -> None:
    low = word.lower()
    if low in ("ln", "ll"):
        found.line = low
    elif low in ("order", "ordnung") or (low == "h" and following.isdigit()):
        found.quantity = found.quantity or "harmonic"
    elif re.fullmatch(r"\d{1,2}(st|nd|rd|th)", low):
        found.order = int(low[:-2])
    elif low.isdigit() and found.quantity == "harmonic" and found.order is None:
        found.order = int(low)
    elif low in _READING_WORDS:
        found.reading = found.reading or _READING_WORDS[low]
    elif low in _OTHER_READINGS or (re.fullmatch(r"p?\d{2}%?|\d{2}th", low) and low.strip("p%th") in ("5", "95", "99")):
        found.other_reading = low
    elif low in ("u", "v", "i") and not found.quantity:
        found.kind = found.kind or _LETTER[low]
        found.quantity = _LETTER[low]
        found.letters = True
    elif low in ("u", "v", "i") and found.quantity in ("thd", "thd-r", "harmonic", "unbalance"):
        found.kind = found.kind or _LETTER[low]
    elif low in ("u", "v", "w") and found.quantity and not found.phase:
        found.phase = {"u": "a", "v": "b", "w": "c"}[low]
    elif (low == "u2" and found.unit == "%") or low == "u0":
        found.quantity = "negative_sequence_unbalance" if low == "u2" else "zero_sequence_unbalance"
        found.rest.append(low)
    elif low in ("s", "t", "r") and found.quantity and not found.phase:
        found.phase = low
    elif low == "va" and found.quantity in ("thd", "thd-r", "harmonic"):
        found.kind, found.phase = "voltage", found.phase or "a"
    elif low in _QUANTITY_WORDS:
        _quantity(found, _QUANTITY_WORDS[low])
        found.unit = found.unit or (unit_of(word) if len(word) > 1 and low != "va" else "")
    elif low in _PHASE_WORDS and not found.phase:
        found.phase = _PHASE_WORDS[low]
    elif low in _SECOND and found.digit and found.phase == "1" and found.quantity in ("voltage", "current"):
        # "I1 L2": one of the two is no phase, so the first is the order.
        found.phase, found.quantity = _PHASE_WORDS[low], "fundamental"
    elif not _compact(found, low):
        if low in ("power", "factor", "line", "phase", "ph", "value", "sliding", "import", "imp", "export", "exp",
                   "distortion", "to", "of", "the", "negative", "zero", "sequence", "dmd", "demand"):
            found.rest.append(low)
        else:
            found.rest.append("?" + word)


def _quantity(found: Tokens, name: str) -> None:
    if name in ("thd", "thd-r", "harmonic", "unbalance", "fundamental") and found.quantity in ("voltage", "current"):
        found.kind, found.quantity = found.quantity, name
    elif name in ("voltage", "current") and found.quantity:
        found.kind = found.kind or name
    elif not found.quantity or name == "flicker_pst":
        found.quantity = name
        if name in ("voltage", "current"):
            found.kind = name


def _compact(found: Tokens, low: str) -> bool:
    for pattern, role in _COMPACT:
        match = pattern.match(low)
        if match is None:
            continue
        parts = match.groupdict()
        phase = parts.get("p") or ""
        if phase in ("ln", "ll"):
            found.line, phase = phase, ""
        if phase and not found.phase:
            found.phase = _PHASE_WORDS.get(phase, {"t": "total", "4": "4"}.get(phase, phase))
        if role == "thd":
            found.quantity = "thd-r" if "r" in (parts.get("b") or "") or parts.get("b2") else "thd"
            found.kind = found.kind or _LETTER.get(parts.get("q") or "", "")
        elif role == "tdd":
            found.quantity = "current_tdd"
        elif role in ("harmonic", "order"):
            found.order = int(parts["h"])
            found.kind = found.kind or _LETTER.get(parts.get("q") or "", "")
            if found.quantity in ("voltage", "current"):
                found.kind = found.quantity
            found.quantity = "harmonic"
        elif role == "rms":
            if found.quantity in ("thd", "thd-r", "harmonic", "fundamental", "unbalance"):
                found.kind = found.kind or _LETTER[parts["q"]]
            else:
                found.quantity = found.quantity or _LETTER[parts["q"]]
                found.kind = found.kind or _LETTER[parts["q"]]
                found.letters = True
                found.digit = phase in ("1", "2", "3") and "rms" not in low
        elif role == "unit":
            _quantity(found, {"a": "current", "w": "active_power"}[parts["q"]])
            found.unit = found.unit or parts["q"].upper()
        else:
            found.unit = found.unit or (unit_of(parts["q"]) if len(parts["q"]) > 1 else "")
            _quantity(found, _QUANTITY_WORDS.get(parts["q"], _QUANTITY_WORDS.get(parts["q"].rstrip("s"), "")))
        return True
    return False


def _settle(found: Tokens) -> None:
    """Join what was said in parts: "harmonic" with a kind, power words with what follows them."""
    if found.quantity == "apparent_power?":
        # "Va" alone is phase a of the voltage; with a phase beside it "VA" is apparent power.
        if found.phase:
            found.quantity = "apparent_power"
        else:
            found.quantity, found.kind, found.phase, found.letters = "voltage", "voltage", "a", True
    if found.order is not None and found.quantity in ("", "voltage", "current"):
        found.kind, found.quantity = found.kind or found.quantity, "harmonic"
    if found.quantity == "unbalance" and "zero" in found.rest:
        found.quantity = "zero_sequence_unbalance"
    elif found.quantity == "unbalance" and "negative" in found.rest:
        found.quantity = "negative_sequence_unbalance"
    if found.order is not None and not 1 <= found.order <= HIGHEST_ORDER:
        found.order = None
    if not found.quantity and found.unit and found.phase:
        # "L1 (V)": the unit names the quantity.
        found.quantity = {"V": "voltage", "kV": "voltage", "A": "current", "mA": "current", "kA": "current",
                          "kW": "active_power", "kvar": "reactive_power", "kVA": "apparent_power"}.get(found.unit, "")
        found.kind = found.quantity if found.quantity in ("voltage", "current") else ""
