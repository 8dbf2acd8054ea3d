"""The lock pins the question: limit tables, declared facts and waivers; whatever changes is named with both values."""

from __future__ import annotations

import json
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from pqcheck.cli import main
from pqcheck.limit_tables import load_table
from pqcheck.model.errors import GateError, LimitTableError
from pqcheck.model.exit_status import ExitStatus
from pqcheck.site.declared_facts import declared_facts, differences, shortened
from pqcheck.workflows.gate_lock import check_lock, lock_text, read_lock, rewrite_command
from pqcheck.workflows.run_gate import gate, questions_of
from tests.design import SITE, percent, site, toml, write
from tests.test_waivers import ENTRY, VOLTAGE, text_of, waiver, week

HOW = "pqcheck gate --write-lock l --site FILE"


@pytest.fixture
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A spectrum that passes, its site, a waiver file, and the lock of all that."""
    monkeypatch.chdir(tmp_path)
    write(tmp_path / "spectrum.csv", percent(9.0))
    (tmp_path / "site.toml").write_text(toml({**SITE, "waivers": {"file": "waivers.toml"}}), encoding="utf-8")
    (tmp_path / "waivers.toml").write_text(text_of(ENTRY), encoding="utf-8")
    assert main(["gate", "--write-lock", "gate.lock", "--site", "site.toml"]) == 0
    return tmp_path


RUN = ["gate", "spectrum.csv", "--site", "site.toml", "--as-of", "2031-04-01", "--lock", "gate.lock", "--quiet"]


def written(path: Path, questions: Any) -> Path:
    path.write_text(lock_text(questions), encoding="utf-8")
    return path


def test_what_is_pinned_passes_and_writing_says_what(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(RUN) == 0
    capsys.readouterr()
    before = (place / "gate.lock").read_bytes()
    assert main(["gate", "--write-lock", "gate.lock", "--site", "site.toml"]) == 0
    assert (place / "gate.lock").read_bytes() == before
    out = capsys.readouterr().out
    assert out.startswith("gate.lock pins 'Kestrel drive, frame 4, weak grid': ieee519-2022 (edition 2022, ")
    assert out.endswith(" declared facts; 1 waivers.\n")


@pytest.mark.parametrize(("old", "new", "words"), [
    ('"600 A"\nfund', '"6000 A"\nfund', "scenario.maximum_demand_current: 600 A became 6000 A"),
    ('"40 kA"', '"400 kA"', "scenario.short_circuit_current: 40 kA became 400 kA"),
    ("[limits]", '[coverage]\nat_least_percent = 50\npolicy_of = "us"\n[limits]',
     "coverage.at_least_percent: not declared became 50"),
    ("[limits]", '[gate]\ntolerance = "50 %"\n[limits]', "gate.tolerance: not declared became 50 %"),
    ('["current_harmonic", "current_tdd"]', '["current_tdd"]',
     "limits.quantities: current_harmonic, current_tdd became current_tdd"),
    ('frequency = "60 Hz"', 'frequency = "50 Hz"', "supply.frequency: 60 Hz became 50 Hz"),
    ('"weak grid"', '"weaker grid"', "pins 'Kestrel drive, frame 4, weak grid', and 'Kestrel drive, frame 4, weaker"),
    ('["ieee519-2022"]', '["ieee519-2022", "ieee519-2014"]', "for other tables: it pins ieee519-2022, and ieee"),
])  # fmt: skip
def test_a_declared_fact_that_changed(
    old: str, new: str, words: str, place: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = (place / "site.toml").read_text(encoding="utf-8")
    assert old in text
    (place / "site.toml").write_text(text.replace(old, new), encoding="utf-8")
    capsys.readouterr()
    assert main([*RUN, "--out", "result.json"]) == 2
    out, err = capsys.readouterr()
    assert out == "" and err.count("\n") == 1 and words in err
    assert "renew the lock with `pqcheck gate --write-lock gate.lock --site site.toml`" in err
    assert not (place / "result.json").exists()


@pytest.mark.parametrize(("change", "words"), [
    ({"ceiling": "99 %"}, "waivers[1].ceiling: 10.5 % became 99 %"),
    ({"expires": date(2039, 1, 1)}, "waivers[1].expires: 2031-06-30 became 2039-01-01"),
])  # fmt: skip
def test_a_waiver_that_changed(
    change: dict[str, Any], words: str, place: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (place / "waivers.toml").write_text(text_of(ENTRY | change), encoding="utf-8")
    capsys.readouterr()
    assert main(RUN) == 2
    assert words in capsys.readouterr().err
    # A comment is no change.
    (place / "waivers.toml").write_text("# agreed\n" + text_of(ENTRY), encoding="utf-8")
    assert main(RUN) == 0


def test_another_waiver_file_is_another_question(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (place / "more.toml").write_text(text_of(ENTRY, ENTRY | {"order": 5}), encoding="utf-8")
    capsys.readouterr()
    assert main([*RUN, "--waivers", "more.toml"]) == 2
    assert "waivers[2].ceiling: not declared became 10.5 %" in capsys.readouterr().err


def test_exclusions_and_criteria_are_pinned(tmp_path: Path) -> None:
    bad = week((60, 255.0))
    lock = written(tmp_path / "l", questions_of(VOLTAGE))
    assert gate(bad, VOLTAGE, lock=lock).exit_status is ExitStatus.FAILED
    out = {"from": "2031-03-03T00:00:00", "to": "2031-03-03T10:00:00", "reason": "not ours", "author": "me"}
    with pytest.raises(GateError, match=r"exclusions\[1\].author: not declared became me"):
        gate(bad, {**VOLTAGE, "exclusions": [out]}, lock=lock)


def test_a_pinned_table_that_is_not_applied(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    both = ["--limits", "ieee519-2022", "ieee519-2014"]
    assert main(["gate", "--write-lock", "gate.lock", "--site", "site.toml", *both]) == 0
    capsys.readouterr()
    assert main(RUN) == 2
    assert "ieee519-2014 is pinned and not applied" in capsys.readouterr().err
    assert main([*RUN, *both]) == 0


def test_a_scenario_that_is_pinned_and_not_judged_is_named(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (place / "stiff.toml").write_text(toml(site(name="stiff grid")), encoding="utf-8")
    assert main(["gate", "--write-lock", "gate.lock", "--site", "site.toml", "stiff.toml"]) == 0
    capsys.readouterr()
    assert main(RUN[:-1]) == 0
    text = " ".join(capsys.readouterr().out.split())
    assert "gate.lock also pins 'Kestrel drive, frame 4, stiff grid' (ieee519-2022), which is not judged here." in text


def test_a_lock_beside_a_run_is_written_with_its_results(place: Path) -> None:
    (place / "gate.lock").unlink()
    arguments = [*RUN[:6], "--quiet"]
    assert main([*arguments, "--write-lock", "gate.lock", "--json", "result.json"]) == 0
    assert (place / "result.json").exists() and main(RUN) == 0
    before = (place / "gate.lock").read_bytes()
    write(place / "spectrum.csv", {"order": [1.0]})
    assert main([*arguments, "--write-lock", "gate.lock", "--json", "result.json"]) == 2
    assert (place / "gate.lock").read_bytes() == before


@pytest.mark.parametrize(("more", "words"), [
    (["--write-lock", "site.toml"], "it is an input"), (["--write-lock", "waivers.toml"], "it is an input"),
    (["--write-lock", "spectrum.csv", "spectrum.csv"], "it is an input"),
    (["--write-lock", "new.lock", "--lock", "gate.lock"], "give one of them"),
    (["--write-lock", "new.json", "--json", "new.json", "spectrum.csv"], "is asked for twice"),
    ([], "name a spectrum table or a recording"),
])  # fmt: skip
def test_where_no_lock_is_written(more: list[str], words: str, place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    before = {path: path.read_bytes() for path in place.iterdir()}
    capsys.readouterr()
    assert main(["gate", "--site", "site.toml", *more]) == 2
    assert words in capsys.readouterr().err
    assert {path: path.read_bytes() for path in place.iterdir()} == before


def test_the_older_format_is_refused_with_the_command_that_writes_it_again(
    place: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (place / "gate.lock").write_text('{"format": "pqcheck-lock/1", "limit_tables": {}}', encoding="utf-8")
    capsys.readouterr()
    assert main(RUN) == 2
    err = capsys.readouterr().err
    assert "older format pqcheck-lock/1" in err
    assert "write it again with `pqcheck gate --write-lock gate.lock --site site.toml`" in err


def test_there_is_one_lock(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["limits", "lock", "a.lock", "ieee519-2022"]) == 2
    assert "invalid choice: 'lock'" in capsys.readouterr().err


@pytest.mark.parametrize("content", [
    "{", "[]", '{"format": "pqcheck-lock/2"}', '{"format": "pqcheck-lock/2", "limit_tables": {"a": {"edition": "1"}}}',
    '{"format": "pqcheck-lock/2", "limit_tables": {}, "questions": {"a": {}}}',
    '{"format": "pqcheck-lock/2", "limit_tables": [], "questions": []}', None,
])  # fmt: skip
def test_a_lock_that_cannot_be_used(content: str | None, tmp_path: Path) -> None:
    if content is not None:
        (tmp_path / "l").write_text(content, encoding="utf-8")
    with pytest.raises(GateError, match=r"write (it|one)( again)? with `pqcheck gate --write-lock"):
        read_lock(tmp_path / "l", HOW)


# Tables.


def changed_table(folder: Path, high: str = "11") -> Path:
    document = json.loads((Path(__file__).parent.parent / "limits" / "ieee519-2022.json").read_text(encoding="utf-8"))
    document["shared_limits"]["current-harmonic"]["rows"][2]["orders"][0]["high"] = high
    path = folder / "changed.json"
    path.write_text(json.dumps(document), encoding="utf-8")
    return path


def test_a_pinned_table_that_changed_stops_the_run(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    changed = changed_table(place)
    capsys.readouterr()
    assert main([*RUN, "--limits", str(changed)]) == 2
    err = capsys.readouterr().err
    assert err.count("\n") == 1
    assert "below 10 % of the maximum demand current became below 11 % of the maximum demand current" in err
    # An edited copy keeps the name of the standard until it is given its own.
    write_lock = ["gate", "--write-lock", "gate.lock", "--site", "site.toml", "--limits", str(changed)]
    assert main(write_lock) == 2
    assert "is the id of a shipped table" in capsys.readouterr().err
    document = json.loads(changed.read_text(encoding="utf-8"))
    changed.write_text(json.dumps({**document, "id": "house-519"}), encoding="utf-8")
    assert main(write_lock) == 0
    assert main([*RUN, "--limits", str(changed)]) == 0


@pytest.mark.parametrize(("change", "sentence"), [
    (lambda table: replace(table, sha256="f" * 64, rules=table.rules[1:]), "is gone"),
    (lambda table: replace(table, sha256="f" * 64, edition="2011"), "edition 2010 became 2011"),
    (lambda table: replace(table, sha256="f" * 64), "no limit of a rule over time"),
])  # fmt: skip
def test_what_changed_in_a_table(change: Any, sentence: str, tmp_path: Path) -> None:
    table = load_table("en50160-2010-lv")
    lock = read_lock(written(tmp_path / "l", questions_of(VOLTAGE, [table])), HOW)
    assert check_lock(lock, questions_of(VOLTAGE, [table]), HOW) == []
    with pytest.raises(GateError, match=sentence):
        check_lock(lock, questions_of(VOLTAGE, [change(table)]), HOW)


def test_two_tables_of_one_id_cannot_be_pinned() -> None:
    table = load_table("en50160-2010-lv")
    other = replace(table, sha256="f" * 64)
    with pytest.raises(LimitTableError, match="cannot be pinned together"):
        lock_text([*questions_of(VOLTAGE, [table]), *questions_of({**VOLTAGE, "name": "b"}, [other])])
    with pytest.raises(GateError, match="both called"):
        lock_text(questions_of([VOLTAGE, VOLTAGE]))


# Facts.

TEXTS = st.text("abc", min_size=1, max_size=3)
DOCUMENTS = st.recursive(
    TEXTS | st.integers(0, 9) | st.booleans(),
    lambda inner: st.dictionaries(TEXTS, inner, min_size=1, max_size=3) | st.lists(inner, min_size=1, max_size=2),
    max_leaves=8,
)


@settings(deadline=None)
@given(st.dictionaries(TEXTS, DOCUMENTS, max_size=4), st.dictionaries(TEXTS, DOCUMENTS, max_size=4))
def test_documents_differ_exactly_where_their_facts_do(one: dict[str, Any], other: dict[str, Any]) -> None:
    first, second = declared_facts(one), declared_facts(other)
    lines = differences(first, second)
    assert (lines == []) == (first == second)
    assert differences(first, first) == []
    assert len(differences(second, first)) == len(lines)


def test_names_texts_and_files_are_no_facts() -> None:
    declared = {"name": "a", "report": {"title": "b"}, "waivers": {"file": "c"}, "limits": {"apply": ["d"]},
                "scenario": {"name": "e", "balanced": True}}  # fmt: skip
    assert declared_facts(declared) == {"scenario.balanced": "true"}
    assert shortened(["a", "b", "c", "d"]) == "a; b; c; 1 more"


def test_the_command_names_what_was_given() -> None:
    assert rewrite_command("l", ["a.toml", "b.toml"], ["t.json"], "w.toml") == (
        "pqcheck gate --write-lock l --site a.toml b.toml --limits t.json --waivers w.toml"
    )
    assert rewrite_command("l", [SITE], [load_table("ieee519-2022")], [waiver()]) == HOW
