"""The confusion table of the hook-up checks: what is said of each fault on each service, and of sound recordings.

    python -m tests.simulator.confusion [--runs N] [--sound N] [--seed S] [--only WORD] [--at WORD] > FILE
    python -m tests.simulator.confusion --page FILE...

Runs the whole of ``pqcheck vet`` on simulated recordings; --page puts what several such runs printed into
docs/method/confusion.md.
"""

from __future__ import annotations

import argparse
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from pqcheck.derive.corrections import corrected_recording
from pqcheck.model.verdict import Verdict
from pqcheck.site.load_site import site_from
from pqcheck.vet.outcome import Proposal
from pqcheck.vet.vetting_result import Examined
from pqcheck.workflows.vet_recording import examine
from tests.recordings import recording
from tests.simulator.hookup_faults import FAULTS, Fault, Table
from tests.simulator.network import SERVICES, Floats
from tests.simulator.places import HARSH, ORDINARY, Place, draw

SEED = 20_310_303
PAGE = Path(__file__).resolve().parents[2] / "docs" / "method" / "confusion.md"
FITTING = {"one phase heavy": ("split-phase",), "loads between two lines": ("split-phase",)}
SAME_POWER = 0.15
"""Relative distance from the true powers beyond which a proposed correction is a wrong one."""


@dataclass
class Row:
    """Counts of one fault on one service."""

    name: str
    service: str
    unseen: str = ""
    counts: Counter[str] = field(default_factory=Counter)
    codes: Counter[str] = field(default_factory=Counter)

    @property
    def runs(self) -> int:
        """All runs."""
        return sum(self.counts[kind] for kind in ("right", "wrong", "open", "silent"))


def examined(table: Table, place: Place, supply: dict[str, str], corrections: list[dict[str, object]]) -> Examined:
    """What `vet` says of a simulated table."""
    site: dict[str, object] = {"name": "Simulated", "time_zone": "UTC", "supply": supply}
    if place.generation:
        site["generation"] = {}
    if corrections:
        site["corrections"] = corrections
    return examine(recording(table, interval_s=place.interval_s,
                             start=f"2031-03-04T{place.start_hour:02d}:00:00+00:00"), site)


def signed(proposals: tuple[Proposal, ...]) -> list[dict[str, object]]:
    """Proposals as a person would sign them."""
    return [{"kind": proposal.kind, "reason": "seen on site", "author": "tester",
             **{key: list(value) if isinstance(value, tuple) else value for key, value in proposal.settings.items()}}
            for proposal in proposals]


def restores(result: Examined, table: Table, truth: Table, place: Place, *, moved: bool = False) -> bool:
    """Whether the proposed corrections bring the active powers back to those of a right connection; with `moved` (all
    phases under each other's names) the total."""
    site = site_from({"name": "Simulated", "time_zone": "UTC", "supply": place.supply,
                      "corrections": signed(result.proposals)})
    made = recording(table, interval_s=place.interval_s, start=f"2031-03-04T{place.start_hour:02d}:00:00+00:00")
    put_right = corrected_recording(made, site.corrections)
    parts: dict[str, list[Floats]] = {}
    for block in put_right.streams[0].blocks(None):
        for channel, values in block.values.items():
            if channel.quantity == "active_power":
                parts.setdefault(str(channel.phase), []).append(values)
    for phase, blocks in parts.items():
        values, true = np.concatenate(blocks), truth[f"active_power.{phase} [W]"]
        if phase != "total" and moved:
            continue
        size = np.median(np.abs(truth["active_power.total [W]"]))
        known = np.isfinite(values)
        if known.any() and np.median(np.abs(values[known] - true[known])) > SAME_POWER * max(size, 1e-9):
            return False
    return True


def judged(result: Examined, fault: Fault) -> str:
    """right (named, refused or asked), wrong (refused under another name), open (asked under another) or silent."""
    said = result.findings.findings
    hard = {finding.reason.code for finding in said if finding.reason is not None
            and finding.verdict in (Verdict.REFUSED, Verdict.FAIL)}
    asked = {finding.reason.code for finding in said if finding.reason is not None
             and finding.verdict is Verdict.INCONCLUSIVE}
    if (hard | asked) & fault.codes:
        return "right"
    if any(finding.reason is not None and "the numbers also fit" in finding.reason.text for finding in said):
        # Refused, with several wirings named.
        return "open"
    if hard:
        return "wrong"
    return "silent" if int(result.exit_status) == 0 else "open"


def fault_rows(runs: int, seed: int, only: str, at: str) -> Iterator[Row]:
    """Every fault on every service it can befall."""
    for number, (name, fault) in enumerate(FAULTS.items()):
        for place_number, service in enumerate(SERVICES.values()):
            if not fault.where(service) or (only and only not in name) or (at and at not in service.name):
                continue
            row = Row(name, service.name, fault.unseen)
            for run in range(runs):
                rng = np.random.default_rng((seed, number, place_number, run))
                place = draw(rng, service.name, fault.scenes[run % len(fault.scenes)])
                table = fault.make(place, rng)
                result = examined(table, place, {**place.supply, **fault.supply}, [])
                kind = judged(result, fault)
                row.counts[kind] += 1
                wrong = bool(result.proposals) and not restores(result, table, place.table(), place,
                                                                moved=name == "leads rotated")
                row.counts["wrongly corrected"] += wrong
                if kind == "silent" or wrong:
                    row.codes[f"{kind}: {place.scene}"] += 1
                row.codes.update({finding.reason.code for finding in result.findings.findings
                                  if finding.reason is not None and kind in ("wrong", "open")
                                  and finding.verdict in (Verdict.REFUSED, Verdict.FAIL, Verdict.INCONCLUSIVE)})
            yield row


def sound_rows(runs: int, seed: int, at: str, scene: str = "") -> Iterator[Row]:
    """Sound recordings: what is refused (or a danger sign) is a false alarm."""
    for place_number, service in enumerate(SERVICES.values()):
        if at and at not in service.name:
            continue
        for label, scenes in ((scene, (scene,)),) if scene else (("ordinary", ORDINARY), ("harsh", HARSH)):
            row = Row(label, service.name)
            for run in range(runs):
                rng = np.random.default_rng((seed, 999, place_number, len(scenes), run))
                place = draw(rng, service.name, scenes[run % len(scenes)])
                result = examined(place.table(), place, place.supply, [])
                kind = judged(result, FAULTS["clock an hour off throughout"])
                row.counts[kind] += 1
                row.codes.update({f"{finding.reason.code} ({place.scene})" for finding in result.findings.findings
                                  if finding.reason is not None
                                  and finding.verdict in (Verdict.REFUSED, Verdict.FAIL, Verdict.INCONCLUSIVE)})
            yield row


HEAD = """\
# What is said of faults at hook-up

Made by a script (`python -m tests.simulator.confusion`) from simulated recordings: eleven services, twelve scenes of
loads (motors, offices and households are *ordinary*; power
factors of 0.5 to 0.98 leading, capacitors, hardly any load, feed-in on three phases and on one, one heavy phase,
loads between lines and nights without load are *harsh*), four hours to three days, recorders
with errors of ratio and angle. The simulator shares no code and no threshold with the checks.

*Right*: named under its own reason code, refused, asked or as a danger sign. *Open*: refused or asked with several
explanations, or under another name as a question. *Wrong*: refused under another name only.
*Silent*: SOUND. *Wrongly corrected*: a proposed correction
would not bring the powers back.
"""
UNSEEN_HEAD = """
## What cannot be seen, or not always

Nothing in the recording contradicts these for sure; SOUND does not rule them out. A spot check does: volts, amperes
and kilowatts of every phase by another instrument, written down with the time, at hook-up and
before removal.

| fault | why, and what shows it |
|---|---|
"""


def page(printed: list[str]) -> str:
    """The page from the tables that runs printed."""
    rows = [line for text in printed for line in text.splitlines()
            if line.startswith("| ") and line.split("|")[3].strip().isdigit()]
    sound = sorted(row for row in rows if row.count("|") == 7)
    order = {name: number for number, name in enumerate(FAULTS)}
    faults = sorted((row for row in rows if row.count("|") == 9),
                    key=lambda row: order[row.split("|")[1].strip().removesuffix(" (cannot be seen)")])
    parts = [HEAD, "\n## Sound recordings\n\n" + SOUND_TABLE, *(f"{row}\n" for row in sound),
             "\n## Faults\n\n" + FAULT_TABLE, *(f"{row}\n" for row in faults), UNSEEN_HEAD]
    parts += [f"| {name} | {fault.unseen} |\n" for name, fault in FAULTS.items() if fault.unseen]
    return "".join(parts)


SOUND_TABLE = "| sound | service | runs | false alarms | questions | silent |\n|---|---|---|---|---|---|\n"
FAULT_TABLE = "| fault | service | runs | right | wrong | open | silent | wrongly corrected |\n" \
              "|---|---|---|---|---|---|---|---|\n"


def main() -> None:
    """Print the tables, or write the page."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=300)
    parser.add_argument("--sound", type=int, default=300)
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--only", default="")
    parser.add_argument("--at", default="", help="only services whose name holds this word")
    parser.add_argument("--scene", default="", help="only sound recordings of this scene")
    parser.add_argument("--codes", action="store_true", help="also what was said where it was not right")
    parser.add_argument("--page", nargs="+", metavar="FILE", help="write the page from what runs printed")
    args = parser.parse_args()
    if args.page:
        PAGE.write_text(page([Path(name).read_text(encoding="utf-8") for name in args.page]), encoding="utf-8")
        return
    print(SOUND_TABLE, end="")
    for row in sound_rows(args.sound, args.seed, args.at, args.scene) if args.sound else ():
        print(f"| {row.name} | {row.service} | {row.runs} | {row.counts['wrong']} | {row.counts['open']} | "
              f"{row.counts['silent']} |" + (f" {dict(row.codes)}" if args.codes else ""), flush=True)
    print("\n" + FAULT_TABLE, end="")
    for row in fault_rows(args.runs, args.seed, args.only, args.at) if args.runs else ():
        kinds = ("right", "wrong", "open", "silent", "wrongly corrected")
        numbers = " | ".join(str(row.counts[kind]) for kind in kinds)
        mark = " (cannot be seen)" if row.unseen else ""
        print(f"| {row.name}{mark} | {row.service} | {row.runs} | {numbers} |"
              + (f" {dict(row.codes)}" if args.codes else ""), flush=True)


if __name__ == "__main__":
    main()
