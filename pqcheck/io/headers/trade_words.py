"""Words of column names in other languages, as the English words that `tokens.py` knows.

A word is replaced, never interpreted: a header in Polish says what the same header in English says, no more, and no
word stands for a unit. Words of two letters are left alone, because they are phases and letters of quantities.

Terms: IEC 60050 (International Electrotechnical Vocabulary, parts 131, 151, 161 and 601, which give them in these
languages) and the usual words of the trade; all from memory.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Mapping, Sequence
from functools import cache

LANGUAGES: Mapping[str, Mapping[str, str]] = {
    "French": {
        "voltage": "tension tensions", "current": "courant courants intensite", "frequency": "frequence",
        "power": "puissance", "active": "active actif", "reactive": "reactive reactif", "apparent": "apparente",
        "factor": "facteur", "energy": "energie", "harmonic": "harmonique harmoniques", "order": "rang ordre",
        "distortion": "distorsion", "unbalance": "desequilibre", "fundamental": "fondamental fondamentale",
        "minimum": "minimale minimal mini", "maximum": "maximale maximal maxi", "mean": "moyenne moyen moyennes moy",
        "rms": "efficace", "value": "valeur", "total": "totale somme", "neutral": "neutre",
        "ll": "composee", "ln": "simple",
    },
    "Spanish": {
        "voltage": "tension tensiones voltaje", "current": "corriente corrientes intensidad",
        "frequency": "frecuencia", "power": "potencia", "active": "activa", "reactive": "reactiva",
        "apparent": "aparente", "factor": "factor", "energy": "energia", "harmonic": "armonico armonica armonicos",
        "order": "orden", "distortion": "distorsion", "unbalance": "desequilibrio", "fundamental": "fundamental",
        "minimum": "minimo minima", "maximum": "maximo maxima", "mean": "media medio promedio", "rms": "eficaz",
        "value": "valor", "total": "suma", "neutral": "neutro", "phase": "fase", "line": "linea",
        "ll": "compuesta", "ln": "simple",
    },
    "Portuguese": {
        "voltage": "tensao tensoes voltagem", "current": "corrente correntes", "frequency": "frequencia",
        "power": "potencia", "active": "ativa activa", "reactive": "reativa reactiva", "apparent": "aparente",
        "factor": "fator factor", "energy": "energia", "harmonic": "harmonica harmonico harmonicas", "order": "ordem",
        "distortion": "distorcao", "unbalance": "desequilibrio", "minimum": "minimo minima",
        "maximum": "maximo maxima", "mean": "media medio", "rms": "eficaz", "value": "valor", "total": "soma",
        "neutral": "neutro", "phase": "fase", "line": "linha", "ll": "composta",
    },
    "Italian": {
        "voltage": "tensione tensioni", "current": "corrente correnti", "frequency": "frequenza", "power": "potenza",
        "active": "attiva", "reactive": "reattiva", "apparent": "apparente", "factor": "fattore", "energy": "energia",
        "harmonic": "armonica armonico armoniche", "order": "ordine", "distortion": "distorsione",
        "unbalance": "squilibrio", "fundamental": "fondamentale", "minimum": "minimo minima",
        "maximum": "massimo massima", "mean": "media medio", "rms": "efficace", "value": "valore",
        "total": "totale somma", "neutral": "neutro", "phase": "fase", "line": "linea", "ll": "concatenata",
    },
    "Dutch": {
        "voltage": "spanning spanningen", "current": "stroom stromen", "frequency": "frequentie", "power": "vermogen",
        "active": "actief werkelijk", "reactive": "reactief", "apparent": "schijnbaar",
        "apparent power": "schijnbaarvermogen", "reactive power": "blindvermogen", "active power": "wattvermogen",
        "power factor": "vermogensfactor arbeidsfactor", "energy": "energie",
        "harmonic": "harmonische harmonischen", "order": "orde", "distortion": "vervorming", "unbalance": "onbalans",
        "fundamental": "grondgolf", "minimum": "minimale laagste", "maximum": "maximale hoogste",
        "mean": "gemiddelde gemiddeld gem", "rms": "effectieve effectief", "value": "waarde", "total": "totaal",
        "neutral": "nulleider", "phase": "fase", "line": "lijn", "ll": "gekoppelde", "ln voltage": "fasespanning",
    },
    "German": {
        "voltage": "spannung spannungen", "current": "strom stroeme strome", "frequency": "frequenz",
        "power": "leistung leistungs", "active power": "wirkleistung", "reactive power": "blindleistung",
        "apparent power": "scheinleistung", "factor": "faktor", "power factor": "leistungsfaktor",
        "energy": "energie", "harmonic": "oberschwingung oberschwingungen harmonische", "order": "ordnung",
        "unbalance": "asymmetrie unsymmetrie", "fundamental": "grundschwingung", "minimum": "minimal kleinster",
        "maximum": "maximal groesster grosster", "mean": "mittel mittelwert", "rms": "effektivwert", "value": "wert",
        "total": "gesamt summe", "neutral": "neutralleiter", "line": "leiter", "ll": "verkettet verkettete",
    },
    "Polish": {
        "voltage": "napiecie napiecia", "current": "prad prady natezenie", "frequency": "czestotliwosc",
        "power": "moc mocy", "active": "czynna czynnej", "reactive": "bierna biernej", "apparent": "pozorna pozornej",
        "factor": "wspolczynnik", "energy": "energia", "harmonic": "harmoniczna harmoniczne", "order": "rzad rzedu",
        "unbalance": "niesymetria asymetria", "fundamental": "podstawowa", "minimum": "minimalna minimalne minimalny",
        "maximum": "maksimum maksymalna maksymalne maksymalny maks", "mean": "srednia srednie sredni śr",
        "rms": "skuteczna skuteczne", "value": "wartosc", "total": "suma calkowita", "neutral": "neutralny",
        "phase": "faza fazy", "line": "linia", "ll": "miedzyfazowe",
    },
    "Swedish": {
        "voltage": "spanning spanningar", "current": "strom strommar", "frequency": "frekvens", "power": "effekt",
        "active": "aktiv aktiva", "reactive": "reaktiv reaktiva", "apparent": "skenbar skenbara",
        "power factor": "effektfaktor", "energy": "energi", "harmonic": "overton overtoner", "order": "ordning",
        "distortion": "distorsion", "unbalance": "osymmetri obalans", "fundamental": "grundton",
        "minimum": "minsta lagsta", "maximum": "hogsta storsta", "mean": "medelvarde medel", "rms": "effektivvarde",
        "value": "varde", "total": "totalt summa", "phase": "fas", "line": "linje", "ll voltage": "huvudspanning",
        "ln voltage": "fasspanning",
    },
    "Norwegian": {
        "voltage": "spenning spenninger", "current": "strom strommer", "frequency": "frekvens", "power": "effekt",
        "active": "aktiv", "reactive": "reaktiv", "apparent": "tilsynelatende", "power factor": "effektfaktor",
        "energy": "energi", "harmonic": "harmonisk harmoniske overharmonisk", "distortion": "forvrengning",
        "unbalance": "ubalanse asymmetri usymmetri", "fundamental": "grunnharmonisk",
        "minimum": "minste laveste minimum", "maximum": "maks maksimum hoyeste storste",
        "mean": "middelverdi middel gjennomsnitt snitt", "rms": "effektivverdi", "value": "verdi",
        "total": "totalt sum",
        "neutral": "noytral", "phase": "fase", "line": "linje", "ll voltage": "linjespenning hovedspenning",
    },
}
"""English words, and the words of each language for them, written without accents where no shorter word is meant."""

_SMALL = frozenset(("de", "di", "des", "du", "da", "do", "del", "della", "van", "der", "av", "af"))
"""Words like "of", which say nothing and count only beside another word of such a language."""
_WITHOUT_ACCENT = str.maketrans({"ł": "l", "ø": "o", "æ": "ae", "ß": "ss", "đ": "d"})
_PHRASES = (({"total", "harmonic", "distortion"}, "thd"), ({"power", "factor"}, "pf"))


def folded(word: str) -> str:
    """A word in small letters without accents: ``Napięcie`` and ``NAPIECIE`` are one word."""
    parts = unicodedata.normalize("NFD", word.lower().translate(_WITHOUT_ACCENT))
    return "".join(letter for letter in parts if not unicodedata.combining(letter))


def in_english(words: Sequence[str]) -> list[str]:
    """The words of a header with those of other languages replaced; what is in none of them stays as it is."""
    known = _dictionary()
    replaced = [known.get(word.lower()) or known.get(folded(word), "") for word in words]
    foreign = any(english not in ("", word.lower()) for english, word in zip(replaced, words, strict=True))
    result: list[str] = []
    for word, english in zip(words, replaced, strict=True):
        if english:
            result += english.split()
        elif not foreign or folded(word) not in _SMALL:
            result.append(word)
    if foreign:
        for phrase, meaning in _PHRASES:
            lows = [word.lower() for word in result]
            if phrase <= set(lows):
                first = min(lows.index(word) for word in phrase)
                result[first] = meaning
                result = [word for at, word in enumerate(result) if at == first or word.lower() not in phrase]
    return result


@cache
def _dictionary() -> Mapping[str, str]:
    return {
        word: english
        for language in LANGUAGES.values() for english, words in language.items() for word in words.split()
    }
