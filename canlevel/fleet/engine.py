"""Who does the work: this process, or a Dask cluster. Both call the same functions with the same words.

Stores come in groups, each of which becomes files of its own. On a cluster there are never more tasks than keep it busy, so
that the scheduler holds some hundreds of them, not one for each of a hundred thousand stores. A store whose worker was lost is
done again by another; one that takes its workers down each time is a failure of that store, and of no other.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator, Sequence
from typing import TYPE_CHECKING, Any
from uuid import uuid4

from canlevel.errors import QueryError, printable

if TYPE_CHECKING:
    from distributed import Client

__all__ = ["done_by", "need_dask"]

AHEAD = 4  # tasks for each thread of the cluster
FEWEST_AHEAD = 16

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
    answers: list[dict[str, Any]] = [{} for _ in groups]
    of_store: dict[str, tuple[int, str]] = {}
    gathering: set[str] = set()
    futures: dict[str, Any] = {}
    done = as_completed()

    def add(future: Any) -> None:
        futures[future.key] = future
        done.add(future)

    try:
        while waiting or futures:
            limit = max(AHEAD * sum(client.nthreads().values()), FEWEST_AHEAD)
            while waiting and len(futures) < limit:
                place, store = waiting.popleft()
                future = client.submit(work, store, key=f"canlevel-store-{token}-{place}-{len(of_store)}", pure=False)
                of_store[future.key] = place, store
                add(future)
            future = next(done)
            del futures[future.key]
            if future.key in gathering:
                yield future.result()
                continue
            place, store = of_store.pop(future.key)
            failed = future.status != "finished"
            answers[place][store] = lost(store, _why(future)) if failed else future
            told()
            name, stores = groups[place]
            if len(answers[place]) == len(stores):
                # The answers stay with the workers that have them; where one is lost meanwhile, Dask works it out again.
                whole = [answers[place][one] for one in stores]
                answers[place] = {}
                future = client.submit(gather, name, whole, key=f"canlevel-group-{token}-{place}", pure=False)
                gathering.add(future.key)
                add(future)
    finally:
        if futures:
            client.cancel(list(futures.values()))


def _why(future: Any) -> str:
    error = future.exception()
    name = type(error).__name__
    if name == "KilledWorker":
        return "the workers that had it died, each time: it may need more memory than they have"
    return f"could not be worked out ({name}: {printable(str(error), 160)})"
