"""Everything that a report of a fleet says, from the store alone; and one row a site for other tools."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path

from msgspec import Struct

from pqcheck.fleet.over_time import BeforeAndAfter, Drift, Month, before_and_after, drifts, moment_of, months
from pqcheck.fleet.peers import PeerSign, peer_signs
from pqcheck.fleet.shares_of_sites import ShareAnswer, read_share_rules, share_answer
from pqcheck.fleet.standings import Group, Standing, findings_frame, groups, standings
from pqcheck.fleet.store import Manifest, before_last_run, open_store, stored_notes
from pqcheck.model.errors import InputError
from pqcheck.model.exit_status import ExitStatus, exit_status
from pqcheck.model.verdict import Verdict, roll_up


class FleetAnswers(Struct, frozen=True):
    """The answers. `sites` are in order of need: danger signs, fails by severity, open ones, those that comply."""

    manifest: Manifest
    sites: tuple[Standing, ...]
    verdict: Verdict
    why_open: tuple[tuple[str, int], ...]
    first_run: bool
    feeders: tuple[Group, ...]
    transformers: tuple[Group, ...]
    peers: tuple[PeerSign, ...]
    months: tuple[Month, ...]
    drifts: tuple[Drift, ...]
    split: BeforeAndAfter | None
    shares: tuple[ShareAnswer, ...]

    @property
    def counts(self) -> Counter[str]:
        """Sites by how they stand."""
        return Counter(each.standing for each in self.sites)

    @property
    def exit_status(self) -> ExitStatus:
        """As of `check`, over all sites."""
        return exit_status(self.verdict)


def answers_of(
    results: str | Path, *, split: str | None = None, rules: str | Path | None = None
) -> FleetAnswers:
    """Answers from a folder of results; `split` is a date for before and after, `rules` a file of shares of sites.

    Raises `InputError` when there are no results, or the date or the rules cannot be read.
    """
    moment: datetime | None = None if split is None else moment_of(split)
    asked = [] if rules is None else read_share_rules(rules)
    store, manifest = open_store(results)
    notes, before = stored_notes(store), before_last_run(store)
    if not notes:
        raise InputError(f"{results} holds no result so far; run the fleet to its end first")
    frame = findings_frame(store)
    sites = standings(frame, notes, before)
    _check_rules_known(asked, set(zip(frame.table, frame.rule, strict=True)))
    open_because = Counter(each.why[0] for each in sites if each.why)
    return FleetAnswers(
        manifest=manifest,
        sites=tuple(sites),
        verdict=roll_up(Verdict(each.verdict) for each in notes.values()),
        why_open=tuple(sorted(open_because.items(), key=lambda item: (-item[1], item[0]))),
        first_run=before is None,
        feeders=tuple(groups(sites, "feeder")),
        transformers=tuple(groups(sites, "transformer")),
        peers=tuple(peer_signs(frame, sites)),
        months=tuple(months(frame)),
        drifts=tuple(drifts(frame)),
        split=None if moment is None else before_and_after(frame, moment),
        shares=tuple(share_answer(rule, frame, len(sites)) for rule in asked),
    )


def _check_rules_known(asked: Sequence[object], known: set[tuple[str, str]]) -> None:
    from pqcheck.model.errors import nearest

    for rule in asked:
        pair = (getattr(rule, "table", ""), getattr(rule, "rule", ""))
        if pair not in known:
            near = nearest("/".join(pair), ["/".join(map(str, each)) for each in known])
            raise InputError(f"{getattr(rule, 'name', '')}: no site was judged by {'/'.join(pair)}{near}")


def sites_as_parquet(answers: FleetAnswers) -> bytes:
    """One row a site, in the order of the report (docs/method/fleet.md lists the columns)."""
    import pyarrow
    import pyarrow.parquet

    text, number, flag = pyarrow.string(), pyarrow.float64(), pyarrow.bool_()
    types = {
        "site": text, "feeder": text, "transformer": text, "standing": text, "danger": flag, "criterion": text,
        "value": number, "unit": text, "beyond_percent": number, "hours": number, "severity": number, "why": text,
        "before": text,
    }  # fmt: skip
    rows = [
        {name: getattr(each, name, None) or None for name in ("site", "feeder", "transformer", "criterion", "unit")}
        | {name: getattr(each, name) for name in ("standing", "danger", "value", "beyond_percent", "hours", "severity")}
        | {"why": " ".join(each.why) or None, "before": each.news}
        for each in answers.sites
    ]
    target = pyarrow.BufferOutputStream()
    pyarrow.parquet.write_table(pyarrow.Table.from_pylist(rows, pyarrow.schema(types.items())), target)
    return bytes(target.getvalue())
