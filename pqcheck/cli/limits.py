"""``pqcheck limits``: list the limit tables, find those for a place, print one, compare two, check your own."""

from __future__ import annotations

import argparse

from pqcheck.cli.console import show

HELP = "List the limit tables, find those for a place, print one, compare two, or check your own."


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of the command; without an action it lists."""
    actions = parser.add_subparsers(dest="action", metavar="ACTION")
    listed = actions.add_parser("list", help="the shipped tables (also without an action)")
    listed.add_argument("--country", metavar="CODE", help="only those of a country, such as GB (two letters)")
    listed.add_argument("--kind", metavar="QUANTITY", help="only those about a quantity, events or load")
    place = actions.add_parser("for", help="which shipped tables govern a place, and which do not and why")
    place.add_argument("site", metavar="SITE", help="site file")
    place.add_argument("--country", metavar="CODE", help="only those of a country, such as GB (two letters)")
    show = actions.add_parser("show", help="print a table: rules, clauses, statistics, limits, confidence")
    show.add_argument("table", metavar="ID_OR_FILE", help="a shipped table by id, or a file")
    show.add_argument("--site", metavar="FILE", help="site file: only the limits in force there, in volts or amperes")
    diff = actions.add_parser("diff", help="what two tables have apart")
    diff.add_argument("one", metavar="A", help="id or file")
    diff.add_argument("other", metavar="B", help="id or file")
    validate = actions.add_parser("validate", help="check a table or overlay of your own")
    validate.add_argument("table", metavar="FILE", help="the JSON file")


def run(args: argparse.Namespace) -> int:
    """List, print, compare or check; returns the exit status."""
    from pqcheck.model.exit_status import ExitStatus

    if args.action == "validate":
        return _validate(args.table)
    show(_text(args))
    return int(ExitStatus.PASSED)


def _text(args: argparse.Namespace) -> str:
    from pqcheck.limit_tables.load_limit_table import load, table_ids

    if args.action == "show":
        from pqcheck.reports.show_limit_table import table_text

        table, site = load(args.table), None
        if args.site is not None:
            from pqcheck.judge.declared_options import check_declarations
            from pqcheck.site.load_site import load_site

            site = load_site(args.site)
            check_declarations(site, [table])
        return table_text(table, site)
    if args.action == "diff":
        from pqcheck.reports.limit_table_diff import diff_text

        return diff_text(load(args.one), load(args.other))
    from pqcheck.reports.show_limit_table import list_text
    from pqcheck.reports.tables_for_site import narrowed, tables_for_site_text

    country, tables = getattr(args, "country", None), map(load, table_ids())
    if args.action == "for":
        from pqcheck.site.load_site import load_site

        return tables_for_site_text(narrowed(tables, country, None), load_site(args.site), country)
    return list_text(narrowed(tables, country, getattr(args, "kind", None)))


def _validate(name: str) -> int:
    """Everything that is wrong with a table: exit 2 where it cannot be read, 1 where it is read and cannot be meant."""
    from pqcheck.limit_tables.load_limit_table import count, examine_named, refuse_id_of_shipped
    from pqcheck.model.errors import LimitTableError
    from pqcheck.model.exit_status import ExitStatus

    examined = examine_named(name)
    doubts = examined.lines(examined.doubts)
    if examined.table is None:
        raise LimitTableError("\n".join([*examined.lines(examined.errors), *doubts]))
    table = examined.table
    refuse_id_of_shipped(table)
    if doubts:
        things = "one thing cannot" if len(doubts) == 1 else f"{len(doubts)} things cannot"
        end = f"{table.id}: the table can be read, and {things} be meant as written; `check` runs it and says so."
        show("\n".join([*doubts, end]) + "\n")
        return int(ExitStatus.FAILED)
    counts = count(table)
    show(
        f"{table.id}: the table holds together ({counts.rules} rules, {counts.rows} rows of limits, "
        f"sha256 {table.sha256}).\n"
    )
    return int(ExitStatus.PASSED)
