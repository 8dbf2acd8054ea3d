"""A run over a registry: hand out tasks, keep results as they come, name what changed, and say how all of it stands."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from pathlib import Path

from msgspec import Struct

from pqcheck.fleet.judge_site import Notes, Outcome, Question, judge_site, refused
from pqcheck.fleet.registry import Registry, read_registry
from pqcheck.fleet.store import Manifest, Store, all_notes, begin, finish, keep, open_store, put_aside
from pqcheck.fleet.tasks_of_registry import Task, tasks_of
from pqcheck.model.errors import OutputError
from pqcheck.model.exit_status import ExitStatus, exit_status
from pqcheck.model.verdict import Verdict, roll_up

Asked = tuple[Task, Notes | None]
Engine = Callable[[Question, Sequence[Asked]], Iterator[Outcome]]
"""Judges tasks somewhere and yields what came of each, in any order."""

_RESTARTS = 3
"""Times in a row that processes may be ended from outside without a single result between."""


class FleetRun(Struct, frozen=True):
    """What a run did, and how every site stands after it.

    `again` is why a result was judged again, by site; `left` are sites, or files of one, that the registry no longer
    names; `verdicts` holds every site.
    """

    judged: int
    unchanged: int
    again: Mapping[str, str]
    left: tuple[str, ...]
    verdicts: Mapping[str, Verdict]
    refused: Mapping[str, int]
    danger: tuple[str, ...]
    left_alone: tuple[str, ...]

    @property
    def exit_status(self) -> ExitStatus:
        """As of `check`, over all sites."""
        return exit_status(roll_up(self.verdicts.values()))


def run_fleet(
    registry: str | Path, results: str | Path, tables: Sequence[str] | None = None, *,
    quantities: Iterable[str] | None = None, each: bool = False, engine: Engine | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> FleetRun:  # fmt: skip
    """Judge what is new or changed in a registry and keep it in `results`; what is there and still holds stays.

    `tables` are asked of every row that names none itself; `each` judges every file of a row by itself; `engine` is
    where the work is done (default: the cores of this machine); `progress` is called with tasks done and all tasks.
    Raises `PqcheckError` before anything is judged when registry, tables or results are no good.
    """
    named = read_registry(registry)
    question = _question(tables, quantities)
    tasks = tasks_of(named, each=each)
    there = _what_is_there(results, named, tasks)
    stored = {name: notes for name, notes in there.items() if notes is not None}
    manifest = Manifest(
        named.name, len({task.site for task in tasks}), question.tables or (), question.quantities or (), each
    )
    store = begin(results, manifest, stored)
    notes, written = _judge_all(store, question, tasks, stored, engine or on_this_machine, progress)
    names = {task.result for task in tasks}
    gone = [name for name in stored if name not in names]
    put_aside(store, [name for name in there if name not in names])
    finish(store, manifest)
    changed = {name: stored[name] for name in written if name in stored}
    return FleetRun(
        judged=len(written),
        unchanged=len(tasks) - len(written),
        again={_shown(notes[name]): _why(old, notes[name]) for name, old in changed.items()},
        left=tuple(sorted({_shown(stored[name]) for name in gone})),
        verdicts=_verdicts(notes.values()),
        refused=Counter(each.code for each in notes.values() if each.code is not None),
        danger=tuple(sorted({each.site for each in notes.values() if each.danger})),
        left_alone=named.left_alone,
    )


def _question(tables: Sequence[str] | None, quantities: Iterable[str] | None) -> Question:
    """What is asked, with tables that can be loaded, and found again by another process."""
    from pqcheck.limit_tables import load_table
    from pqcheck.model.errors import SiteError, nearest
    from pqcheck.model.quantities import ASKED

    for table in tables or ():
        load_table(table)
    only = None if quantities is None else tuple(quantities)
    for name in only or ():
        if name not in ASKED:
            raise SiteError(f"unknown quantity {name!r}{nearest(name, ASKED)}")
    paths = (str(Path(table).resolve()) if table.endswith(".json") else table for table in tables or ())
    return Question(tuple(paths) if tables else None, only)


def _what_is_there(results: str | Path, registry: Registry, tasks: Sequence[Task]) -> dict[str, Notes | None]:
    """The notes of all results that are there; None for those that do not hold together.

    Raises `OutputError` when the results are those of other sites: they would all be put aside.

    Numbers of meters repeat from district to district, so a site is the same only under the same registry, or with the
    same recording.
    """
    if not (Path(results) / "fleet.json").exists():
        return {}
    store, earlier = open_store(results)
    there = dict(all_notes(store))
    held = [notes for notes in there.values() if notes is not None]
    if earlier.registry == registry.name:
        known = {task.site for task in tasks}
        same = [each for each in held if each.site in known]
    else:
        pairs = {(task.site, task.recording) for task in tasks}
        same = [each for each in held if (each.site, each.recording) in pairs]
    if held and not same:
        raise OutputError(
            f"{results} holds results of another registry ({earlier.registry}, {earlier.sites} sites, none of which is "
            f"in {registry.name}); choose another folder"
        )
    return there


def _judge_all(
    store: Store, question: Question, tasks: Sequence[Task], stored: Mapping[str, Notes], engine: Engine,
    progress: Callable[[int, int], None] | None,
) -> tuple[dict[str, Notes], list[str]]:  # fmt: skip
    """The notes of every result by its name, and the names of those that were written now."""
    notes: dict[str, Notes] = {}
    written: set[str] = set()

    def work(part: Sequence[Task], held: Mapping[str, Notes]) -> None:
        for outcome in engine(question, [(task, held.get(task.result)) for task in part]):
            if keep(store, outcome):
                written.add(outcome.task.result)
            notes[outcome.task.result] = outcome.notes
            if progress is not None:
                progress(len(notes), len(tasks))

    work(tasks, stored)
    doubled = _same_bytes(notes)
    # A site whose double was put right since has not been judged so far.
    work([task for task in tasks if notes[task.result].code == "doubled" and task.result not in doubled
          and task.refused is None], {})  # fmt: skip
    for task in tasks:
        if task.result in doubled:
            outcome = _as_doubled(task, notes[task.result], doubled[task.result])
            if keep(store, outcome):
                written.add(task.result)
            notes[task.result] = outcome.notes
    return notes, sorted(written)


def _same_bytes(notes: Mapping[str, Notes]) -> dict[str, tuple[str, ...]]:
    """Results whose recording has the same bytes as that of another site, and those other sites."""
    sites: dict[str, set[str]] = defaultdict(set)
    for each in notes.values():
        for file in each.files:
            sites[file].add(each.site)
    others = {
        name: {site for file in each.files for site in sites[file]} - {each.site} for name, each in notes.items()
    }
    return {name: tuple(sorted(found)) for name, found in others.items() if found}


def _as_doubled(task: Task, notes: Notes, others: tuple[str, ...]) -> Outcome:
    named = ", ".join(others[:5]) + (f" and {len(others) - 5} more" if len(others) > 5 else "")
    return refused(
        task, "doubled", f"the recording has the same bytes as that of {named}, so it cannot belong to both",
        made_of=notes.made_of, files=notes.files, others=others,
    )  # fmt: skip


def on_this_machine(question: Question, asked: Sequence[Asked], processes: int | None = None) -> Iterator[Outcome]:
    """Judge on the cores of this machine; when a process is ended from outside the rest goes on in new ones.

    Raises `OutputError` when processes are ended again and again before anything is judged.
    """
    from concurrent.futures.process import BrokenProcessPool

    from pqcheck.workflows.processes import cores, spread

    done, ended = 0, 0
    while done < len(asked):
        try:
            for outcome in spread(judge_site, question, asked[done:], processes or cores()):
                done, ended = done + 1, 0
                yield outcome
        except BrokenProcessPool as error:
            ended += 1
            if ended > _RESTARTS:
                raise OutputError(
                    "worker processes were ended from outside again and again, perhaps for want of memory; results "
                    "written so far are whole; run the same again to go on"
                ) from error


def _verdicts(notes: Iterable[Notes]) -> dict[str, Verdict]:
    by_site: dict[str, list[Verdict]] = defaultdict(list)
    for each in notes:
        by_site[each.site].append(Verdict(each.verdict))
    return {site: roll_up(verdicts) for site, verdicts in sorted(by_site.items())}


def _shown(notes: Notes) -> str:
    return f"{notes.site} ({notes.recording})" if notes.recording else notes.site


def _why(old: Notes, new: Notes) -> str:
    """What is not as it was when the stored result was made."""
    if new.others != old.others:
        return "another site has the same recording" if new.others else "no other site has the same recording any more"
    if "refused" in new.made_of:
        return "it can no longer be judged" if old.code is None else "why it cannot be judged changed"
    if "refused" in old.made_of:
        return "it can be judged now"
    words = {
        "recording": "the recording changed", "declared": "what is declared changed",
        "rules": "limit tables or the program changed",
    }  # fmt: skip
    changed = [words[part] for part in words if old.made_of.get(part) != new.made_of.get(part)]
    return " and ".join(changed) or "its result was damaged"
