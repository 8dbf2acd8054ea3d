"""Options, criteria and limit tables that a site file or a command names: a mistyped one stops the run, exit 2."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from pqcheck.cli import main
from pqcheck.judge.declared_options import check_declarations, option_text
from pqcheck.limit_tables import load_table
from pqcheck.limit_tables.load_limit_table import load, table_ids
from pqcheck.model.errors import LimitTableError, SiteError
from pqcheck.site.load_site import site_from
from pqcheck.workflows.inputs import as_tables
from pqcheck.workflows.pinned_tables import as_pinned

ROOT = Path(__file__).resolve().parents[1]


def declared(options: dict[str, Any], **more: Any) -> Any:
    supply = {"nominal_voltage": "400 V", "connection": "wye"}
    return site_from({"supply": supply, "limits": {"options": options}, **more})


@pytest.mark.parametrize(
    ("tables", "options", "words"),
    [
        (["en50160-2010-lv"], {"user": "remot"}, "limits.options.user = 'remot'.*did you mean 'remote'"),
        (["us-fl-25-6.046"], {"service_class": "residental"}, "did you mean 'residential'"),
        (["en50160-2010-lv"], {"usr": "remote"}, "limits.options.usr is no option.*did you mean 'user'"),
        (["en50160-2010-lv"], {"netwrok": "island"}, "did you mean 'network'"),
        (["ieee519-2014"], {"suppressed_orders": "5,7,9"}, "'5,7,9' is no value.*did you mean '5,7'"),
        (["ieee519-2014"], {"suppressed_orders": [5, 7, 12, 13]}, "did you mean '5,7,11,13'"),
        (["ieee519-2014"], {"supressed_orders": "5,7"}, "did you mean 'suppressed_orders'"),
        (["ansi-c84.1-2020"], {"lighting_load": "yes"}, "lighting_load = 'yes'.*'false', 'true'"),
        # The table that has the option is not applied here: name and value are still checked.
        (["ansi-c84.1-2020"], {"user": "remot"}, "did you mean 'remote'"),
        # One table applied knows the value, another does not: neither is judged on a default.
        (["en50160-2010-lv", "ieee519-2022"], {"user": "remote", "suppressed_orders": "5;7"}, "did you mean '5,7'"),
    ],
)
def test_a_mistyped_option_is_refused_with_the_nearest(tables: list[str], options: dict[str, Any], words: str) -> None:
    with pytest.raises(SiteError, match=words):
        check_declarations(declared(options), [load_table(name) for name in tables])


@pytest.mark.parametrize("name", [name for name in table_ids() if load(name).options])
def test_every_value_of_every_option_is_accepted_and_any_other_is_not(name: str) -> None:
    table = load_table(name)
    for option, values in table.options.items():
        for value in values:
            check_declarations(declared({option: value}), [table])
            with pytest.raises(SiteError, match=f"limits.options.{option} = "):
                check_declarations(declared({option: value + "x"}), [table])


def test_lists_are_read_however_they_are_written() -> None:
    assert option_text([7, 5]) == option_text("7, 5") == option_text("5,7") == "5,7"
    assert (option_text(True), option_text("remote"), option_text(2)) == ("true", "remote", "2")
    check_declarations(declared({"suppressed_orders": [5, 7]}), [load_table("ieee519-2014")])


@pytest.mark.parametrize(
    ("table", "band", "words"),
    [
        ("ansi-c84.1-202", "A", "criteria\\[1\\].table = 'ansi-c84.1-202' is no limit table.*'ansi-c84.1-2020'"),
        ("ansi-c84.1-2020", "C", "criteria\\[1\\].range = 'C' is no range"),
        ("ieee519-2022", "A", "leaves no time criterion to the site"),
    ],
)
def test_a_criterion_for_nothing_is_refused(table: str, band: str, words: str) -> None:
    criterion = {"table": table, "range": band, "at_least_percent": 95, "period": "week", "policy_of": "the utility"}
    with pytest.raises(SiteError, match=words):
        check_declarations(declared({}, criteria=[criterion]), [load_table("ansi-c84.1-2020")])


@pytest.fixture
def edited(tmp_path: Path) -> Path:
    """A shipped table copied and edited, the id forgotten."""
    document = json.loads((ROOT / "limits" / "en50160-2010-lv.json").read_text(encoding="utf-8"))
    document["rules"][4]["limit"]["high"] = "120"
    path = tmp_path / "house.json"
    path.write_text(json.dumps(document), encoding="utf-8")
    return path


def test_two_tables_with_one_id_are_refused(edited: Path, tmp_path: Path) -> None:
    names = ["en50160-2010-lv", str(edited)]
    for order in (names, names[::-1]):
        with pytest.raises(LimitTableError, match="two limit tables with the id 'en50160-2010-lv'"):
            as_tables(order, declared({}))
    # The same table twice, by id and as an unchanged copy, is one table.
    same = tmp_path / "same.json"
    same.write_bytes((ROOT / "limits" / "en50160-2010-lv.json").read_bytes())
    assert len(as_tables(["en50160-2010-lv", str(same)], declared({}))) == 1


def test_the_id_of_a_shipped_table_belongs_to_it(edited: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["limits", "validate", str(edited)]) == 2
    out, err = capsys.readouterr()
    assert out == "" and "en50160-2010-lv is the id of a shipped table" in err and err.count("\n") == 1
    with pytest.raises(LimitTableError, match="is the id of a shipped table"):
        as_pinned([load_table(str(edited))])
    document = json.loads(edited.read_text(encoding="utf-8"))
    first, second = edited.with_name("a.json"), edited.with_name("b.json")
    first.write_text(json.dumps({**document, "id": "house"}), encoding="utf-8")
    second.write_text(json.dumps({**document, "id": "house", "title": "another"}), encoding="utf-8")
    with pytest.raises(LimitTableError, match="two tables with the id 'house'"):
        as_pinned([load_table(str(first)), load_table(str(second))])
    assert main(["limits", "validate", str(first)]) == 0


def test_an_edited_copy_alone_is_named(edited: Path) -> None:
    from pqcheck.judge.site_facts import table_remarks

    (table,) = as_tables([str(edited)], declared({}))
    assert table_remarks([table], declared({}))[0].startswith("en50160-2010-lv is not the shipped table of this id")


def test_check_with_a_mistyped_option_is_exit_2(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    recording = tmp_path / "week.csv"
    rows = "".join(f"2031-03-03T{hour:02d}:00:00Z,230\n" for hour in range(24))
    recording.write_text("time,voltage.an [V]\n" + rows, encoding="utf-8")
    site = tmp_path / "site.toml"
    site.write_text(
        '[supply]\nnominal_voltage = "230 V"\nconnection = "single-phase"\n[limits]\napply = ["en50160-2010-lv"]\n'
        '[limits.options]\nuser = "remot"\n',
        encoding="utf-8",
    )
    assert main(["check", str(recording), "--site", str(site)]) == 2
    assert "did you mean 'remote'" in capsys.readouterr().err
    assert main(["limits", "show", "en50160-2010-lv", "--site", str(site)]) == 2
