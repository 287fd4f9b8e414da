"""Who does the work: this process, or a Dask cluster. Both call the same functions with the same words.

Stores come in groups, each of which becomes files of its own. On a cluster there are never more tasks than keep it busy, so
that the scheduler holds some hundreds of them, not one for each of a hundred thousand stores. A store whose worker was lost is
done again by another. Dask gives a task up whose workers died several times; such a store is tried once more when all others
are done, by itself, and only if that fails, too, it is a failure of that store.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator, Sequence
from itertools import count
from typing import TYPE_CHECKING, Any
from uuid import uuid4

from canlevel.errors import QueryError, printable

if TYPE_CHECKING:
    from distributed import Client

__all__ = ["done_by", "need_dask"]

AHEAD = 4  # tasks for each thread of the cluster
FEWEST_AHEAD = 16
MOST_TRIES = 3  # to put a group together

Work = Callable[[str], Any]
Gather = Callable[[str, list[Any]], Any]
Lost = Callable[[str, str], Any]
Told = Callable[[], None]


def need_dask(client: object) -> None:
    """Raises QueryError where a client was given that is none of Dask's."""
    try:
        from distributed import Client
    except ImportError as error:
        raise QueryError(
            "Dask is not installed, which a client needs",
            next_step="pip install 'canlevel[fleet]', or in a clone: pip install '.[fleet]'",
        ) from error
    if not isinstance(client, Client):
        raise QueryError(
            f"client is no distributed.Client, but {type(client).__name__}",
            next_step="give one, as of: from distributed import Client; client = Client()",
        )


def done_by(
    client: Client | None,
    groups: Sequence[tuple[str, list[str]]],
    work: Work,
    gather: Gather,
    lost: Lost,
    told: Told,
) -> Iterator[Any]:
    """What `gather` makes of each group, as they are finished.

    work: of a store. gather: of the name of a group and the answers of its stores, in their order. lost: the answer of a store
    whose workers died, and why. told: is called after every store.
    """
    if client is None:
        for name, stores in groups:
            answers = []
            for store in stores:
                answers.append(work(store))
                told()
            yield gather(name, answers)
    else:
        yield from _on_cluster(client, groups, work, gather, lost, told)


def _on_cluster(
    client: Client,
    groups: Sequence[tuple[str, list[str]]],
    work: Work,
    gather: Gather,
    lost: Lost,
    told: Told,
) -> Iterator[Any]:
    from distributed import as_completed

    token = uuid4().hex  # a store that has changed since is no longer what an earlier run has said
    waiting = deque((place, store) for place, (_, stores) in enumerate(groups) for store in stores)
    suspects: deque[tuple[int, str]] = deque()
    answers: list[dict[str, Any]] = [{} for _ in groups]
    asked: dict[str, tuple[int, str, bool]] = {}  # by the key of a task: group, store, whether it is alone
    gathering: dict[str, tuple[int, list[Any], int]] = {}  # group, answers, how often it was tried
    futures: dict[str, Any] = {}
    done = as_completed()
    numbers = count()

    def submit(function: Callable[..., Any], *words: Any) -> str:
        key = f"canlevel-{token}-{next(numbers)}"
        futures[key] = client.submit(function, *words, key=key, pure=False)
        done.add(futures[key])
        return key

    def gather_group(place: int, whole: list[Any], tries: int) -> None:
        gathering[submit(gather, groups[place][0], whole)] = place, whole, tries

    try:
        while waiting or suspects or futures:
            limit = max(AHEAD * sum(client.nthreads().values()), FEWEST_AHEAD)
            while waiting and len(futures) < limit:
                place, store = waiting.popleft()
                asked[submit(work, store)] = place, store, False
            if suspects and not futures:
                place, store = suspects.popleft()
                asked[submit(work, store)] = place, store, True
            future = next(done)
            key = str(future.key)
            del futures[key]
            if key in gathering:
                place, whole, tries = gathering.pop(key)
                if _was_killed(future) and tries < MOST_TRIES:
                    gather_group(place, whole, tries + 1)
                else:
                    yield future.result()
                continue
            place, store, alone = asked.pop(key)
            if _was_killed(future) and not alone:
                # Whoever waits on a worker that dies is blamed with the one that killed it.
                suspects.append((place, store))
                continue
            answers[place][store] = future if future.status == "finished" else lost(store, _why(future))
            told()
            if len(answers[place]) == len(groups[place][1]):
                # The answers stay with the workers that have them; where one is lost meanwhile, Dask works it out again.
                gather_group(place, [answers[place][one] for one in groups[place][1]], 1)
                answers[place] = {}
    finally:
        if futures:
            client.cancel(list(futures.values()))


def _was_killed(future: Any) -> bool:
    """Whether a task failed because its workers died."""
    return future.status == "error" and type(future.exception()).__name__ == "KilledWorker"


def _why(future: Any) -> str:
    if _was_killed(future):
        return "the workers that had it died, each time: it may need more memory than they have"
    error = future.exception() if future.status == "error" else None
    return f"could not be worked out ({type(error).__name__}: {printable(str(error), 160)})"
