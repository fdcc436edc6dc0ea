"""Where the boards of a fleet are checked: processes of this machine, or an existing Dask cluster.

Both take parcels and give rows as they are done, in no order. A worker that dies is replaced; the
board that it held is tried once more and then told as lost, every other board goes on.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from functools import partial
from typing import Any

from checker.app import lanes
from checker.app.fleet.task import Parcel, Row, check_parcel, limit_memory, limit_time, lost
from parsers.trouble import InputError

MEMORY = 8 * 2**30  # bytes of address space a worker
ANSWER = 10  # seconds in which a scheduler must answer
AHEAD = 2  # boards a worker whose bytes are held ready
TIME = 1800  # seconds of processor time a board
DIED = (
    f"its worker ended {lanes.TRIES} times: out of memory, or over {TIME // 60} min; check this"
    " board alone"
)

Opened = Callable[[], Parcel | Row]  # a row where nothing is left to check
Parcels = Iterable[Opened]  # each is read only when a worker is free, so that memory stays small
Done = tuple[Row, bytes]


def in_processes(
    parcels: Parcels, jobs: int, check: Callable[[Parcel], Done] = check_parcel
) -> Iterator[Done]:
    """Check parcels in `jobs` processes of this machine."""
    handle = partial(_done, partial(_bounded, check))
    return lanes.in_lanes(parcels, jobs, handle, partial(limit_memory, MEMORY))


def on_cluster(parcels: Parcels, address: str) -> Iterator[Done]:
    """Check parcels on a Dask cluster: `tcp://host:port` of its scheduler, or `local:4` for one of
    this machine.

    Raises
    ------
    InputError : Dask is not installed, the address is malformed or nobody answers there
    """
    try:
        import distributed  # noqa: PLC0415 - an extra that only this needs
    except ImportError:
        raise InputError("--cluster needs Dask: pip install 'moatcheck[cluster]'") from None
    with _client(distributed, address) as client:
        yield from _collected(distributed, client, parcels)


def _done(check: Callable[[Parcel], Done], lane: lanes.Lane, opened: Opened) -> Done:
    parcel = opened()
    if isinstance(parcel, Row):
        return parcel, b""
    try:
        return lane.run(check, parcel)
    except lanes.WorkerLostError:
        return lost(parcel, DIED), b""


def _bounded(check: Callable[[Parcel], Done], parcel: Parcel) -> Done:
    limit_time(TIME)
    return check(parcel)


def _client(distributed: Any, address: str) -> Any:
    kind, _, count = address.partition(":")
    if kind == "local":
        if not count.isdigit() or int(count) < 1:
            raise InputError(
                f'--cluster "{address}": write local:4 for four workers, or tcp://host:port'
            )
        cluster = distributed.LocalCluster(
            n_workers=int(count), threads_per_worker=1, memory_limit=MEMORY, dashboard_address=None
        )
        return distributed.Client(cluster, set_as_default=False)
    try:
        return distributed.Client(address, timeout=ANSWER, set_as_default=False)
    except (OSError, ValueError) as error:
        told = str(error).splitlines()[0]
        raise InputError(
            f'--cluster "{address}": no scheduler answers ({told}); give tcp://host:port'
        ) from error


def _collected(distributed: Any, client: Any, parcels: Parcels) -> Iterator[Done]:
    """Hand out parcels a few ahead of the workers, and give rows as they are done."""
    left = iter(parcels)
    held: dict[Any, Parcel] = {}
    finished = distributed.as_completed(loop=client.loop)
    exhausted = False
    while held or not exhausted:
        room = AHEAD * max(1, len(client.scheduler_info(n_workers=-1)["workers"]))
        while len(held) < room and not exhausted:
            opened = next(left, None)
            exhausted = opened is None
            parcel = opened() if opened is not None else None
            if isinstance(parcel, Row):
                yield parcel, b""
            elif parcel is not None:
                future = client.submit(check_parcel, parcel, pure=False, key=f"board-{parcel.key}")
                held[future] = parcel
                finished.add(future)
        if held:
            future = next(finished)
            parcel = held.pop(future)
            try:
                yield future.result()
            except distributed.KilledWorker:
                yield lost(parcel, DIED), b""
