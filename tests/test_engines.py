"""A Dask cluster of two workers reads what this computer alone would, byte for byte; a worker or the client may be killed."""

from __future__ import annotations

import json
import os
import shutil
import signal
import sys
from collections import Counter
from collections.abc import Callable, Generator, Iterable, Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest

from frametally import engines
from frametally.engines import DaskEngine, Engine, LocalEngine, open_engine
from frametally.errors import BadInput, ExitCode, ProgramMissing
from frametally.eyes import Eyes
from frametally.model import Frame, FrameRecord
from frametally.places import Place, Url
from frametally.run import Options, run

if os.environ.get("CI", "").lower() != "true":  # there a missing package is a fault
    pytest.importorskip("distributed", reason="the extra `cluster` (dask[distributed], fsspec) is not installed")
    pytest.importorskip("fsspec", reason="the extra `cluster` (dask[distributed], fsspec) is not installed")

pytestmark = pytest.mark.filterwarnings("default")  # Dask leaves sockets and loops to the collector

NUMBERS = (1, 2, 60, 118, 127, 150)
"""Of the demo night: usual ones, a spike over one display's range, one cut off in the middle of its data."""

FILES = ("readings.csv", "readings_audit.csv", "journal.jsonl")


class Stopped(BaseException):
    """Stands for what ends the client in the middle of its work."""


def small_cluster(*, processes: bool) -> Any:
    return patient_cluster(n_workers=2 if processes else 1, threads_per_worker=1 if processes else 2, processes=processes)


def patient_cluster(**options: Any) -> Any:
    """Make a cluster; anew where its loop's thread was not given any time within 10 s, when Dask gives up with an assertion."""
    from distributed import LocalCluster

    for _ in range(5):
        with suppress(AssertionError):
            return LocalCluster(dashboard_address=":0", silence_logs=50, **options)
    pytest.fail("five times no thread for Dask's loop was started")


@pytest.fixture(scope="module")
def cluster() -> Iterator[Any]:
    """Two workers, each a process of its own."""
    with small_cluster(processes=True) as made:
        yield made


@pytest.fixture(scope="module")
def threads() -> Iterator[Any]:
    """A worker of two threads inside this process: it sees what tests change here, and memory:// URLs."""
    with small_cluster(processes=False) as made:
        yield made


@pytest.fixture(scope="module")
def frames(tmp_path_factory: pytest.TempPathFactory, sample_frames: Path) -> Path:
    folder = tmp_path_factory.mktemp("photos")
    for number in NUMBERS:
        shutil.copy2(sample_frames / f"cabin_{number:04d}.jpg", folder)
    (folder / "notes.txt").write_text("no photo")
    return folder


@pytest.fixture(scope="module")
def whole(frames: Path, tmp_path_factory: pytest.TempPathFactory, calibration_path: Path, trial_path: Path) -> dict[str, bytes]:
    """What a local run leaves."""
    results = tmp_path_factory.mktemp("whole") / "results"
    run(frames, calibration_path, results, trial=trial_path, options=Options(readings_only=True))
    return files(results)


@pytest.fixture
def job(frames: Path, calibration_path: Path, trial_path: Path, tmp_path: Path) -> Callable[..., Path]:
    """Runs the whole job with an engine; gives the results folder."""

    def start(engine: Engine, source: Place = frames, progress: Callable[[int, int], None] | None = None) -> Path:
        results = tmp_path / "results"
        run(
            source,
            calibration_path,
            results,
            trial=trial_path,
            engine=engine,
            options=Options(readings_only=True),
            progress=progress,
        )
        return results

    return start


def files(results: Path) -> dict[str, bytes]:
    return {name: (results / name).read_bytes() for name in FILES}


def journalled(results: Path) -> list[str]:
    lines = (results / "journal.jsonl").read_text(encoding="utf-8").splitlines()[1:]
    return [data["frame"] for line in lines if "frame" in (data := json.loads(line))]


# --- the cluster ---------------------------------------------------------------------------------------------------------


def test_a_worker_killed_at_half_time_changes_no_byte(
    cluster: Any, job: Callable[..., Path], sample_frames: Path, tmp_path: Path
) -> None:
    numbers = sorted({*NUMBERS, *range(1, 9)})  # enough of them for the night to teach, so that all kinds of work go out
    photos = tmp_path / "photos"
    photos.mkdir()
    for number in numbers:
        shutil.copy2(sample_frames / f"cabin_{number:04d}.jpg", photos)
    alone = files(job(LocalEngine(2), photos))
    assert b'"again":' in alone["journal.jsonl"]
    (tmp_path / "results").rename(tmp_path / "alone")
    killed = []

    def kill_one(done: int, total: int) -> None:
        if done == len(numbers) // 2 and not killed:
            killed.append(next(iter(cluster.workers.values())).pid)
            os.kill(killed[0], signal.SIGKILL)

    with open_engine(cluster.scheduler_address) as engine:
        results = job(engine, photos, progress=kill_one)
    assert killed
    assert files(results) == alone
    assert len(set(journalled(results))) == len(journalled(results)) == len(numbers)


def test_a_killed_client_reads_nothing_of_the_journal_again(
    threads: Any, job: Callable[..., Path], whole: dict[str, bytes], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    looked: Counter[str] = Counter()
    real = Eyes.look

    def look(self: Eyes, frame: Frame) -> FrameRecord:
        looked[frame.name] += 1
        return real(self, frame)

    def stop(done: int, total: int) -> None:
        if done == 3:
            raise Stopped

    monkeypatch.setattr(Eyes, "look", look)
    with pytest.raises(Stopped), open_engine(threads.scheduler_address) as engine:
        job(engine, progress=stop)
    kept = journalled(tmp_path / "results")
    assert len(kept) == 3
    looked.clear()
    with open_engine(threads.scheduler_address) as engine:
        assert files(job(engine)) == whole
    assert not set(kept) & set(looked)


@pytest.mark.parametrize("on_cluster", [False, True])
def test_photos_in_a_store_give_the_tables_of_a_folder(
    threads: Any, job: Callable[..., Path], whole: dict[str, bytes], frames: Path, on_cluster: bool
) -> None:
    import fsspec

    store = fsspec.filesystem("memory")
    for path in frames.iterdir():
        store.pipe_file(f"/boat/night/{path.name}", path.read_bytes())
    with open_engine(threads.scheduler_address if on_cluster else None) as engine:
        results = job(engine, Url("memory://boat/night"))
    assert files(results) == whole
    assert json.loads((results / "night.json").read_text(encoding="utf-8"))["source"] == "memory://boat/night"


def test_photos_that_only_this_process_sees_are_read_by_it(
    job: Callable[..., Path], whole: dict[str, bytes], frames: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import fsspec

    store = fsspec.filesystem("memory")
    for path in frames.iterdir():
        store.pipe_file(f"/boat/alone/{path.name}", path.read_bytes())
    monkeypatch.setattr(engines, "WORTH_PROCESSES", 1)
    assert files(job(LocalEngine(2), Url("memory://boat/alone"))) == whole


def test_photos_that_the_workers_do_not_see_are_told_before_anything_is_read(
    cluster: Any, job: Callable[..., Path], frames: Path, tmp_path: Path
) -> None:
    import fsspec

    store = fsspec.filesystem("memory")  # each process has its own
    for path in frames.glob("*.jpg"):
        store.pipe_file(f"/hidden/{path.name}", path.read_bytes())
    with (
        open_engine(cluster.scheduler_address) as engine,
        pytest.raises(BadInput, match=r"the worker .* cannot open it; put the photos"),
    ):
        job(engine, Url("memory://hidden"))
    assert not (tmp_path / "results" / "journal.jsonl").exists()


def test_workers_with_other_packages_are_refused(cluster: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    real = DaskEngine.everywhere

    def one_is_older(self: DaskEngine, work: Callable[..., Any]) -> dict[str, Any]:
        return {**real(self, work), "tcp://boat": {**engines.versions(), "numpy": "0.1"}}

    monkeypatch.setattr(DaskEngine, "everywhere", one_is_older)
    with pytest.raises(BadInput, match=r"numpy is 0\.1 on the worker tcp://boat"), open_engine(cluster.scheduler_address):
        pass


def test_only_a_few_items_are_under_way(threads: Any) -> None:
    taken: list[int] = []

    def items() -> Iterator[tuple[int]]:
        for number in range(40):
            taken.append(number)
            yield (number,)

    with open_engine(threads.scheduler_address) as engine:
        for given, result in enumerate(engine.in_order(abs, items())):
            assert result == given
            assert len(taken) - given <= 5  # two threads: four under way, and the one that is given out next
    assert len(taken) == 40


def test_what_the_work_raises_comes_out(threads: Any) -> None:
    with open_engine(threads.scheduler_address) as engine, pytest.raises(ProgramMissing, match="pip install"):
        list(engine.in_order(fail, [(1,)]))


def fail(number: int) -> None:
    raise ProgramMissing(f"{number}: pip install it")


def test_a_photo_that_kills_its_workers_ends_with_words(cluster: Any) -> None:
    allowed = cluster.scheduler.allowed_failures
    cluster.scheduler.allowed_failures = 0
    try:
        with (
            open_engine(cluster.scheduler_address) as engine,
            pytest.raises(BadInput, match="died one after the other over the same photo"),
        ):
            list(engine.in_order(os._exit, [(1,)]))
    finally:
        cluster.scheduler.allowed_failures = allowed


@pytest.mark.parametrize("address", ["tcp://127.0.0.1:9", "127.0.0.1:99999", "boat://1", "127.0.0.1:nine", "10.0.0.5"])
def test_no_scheduler(address: str, monkeypatch: pytest.MonkeyPatch) -> None:
    from distributed import Client

    made: list[Client] = []
    real = Client.__init__

    def init(self: Client, *args: Any, **options: Any) -> None:
        made.append(self)
        real(self, *args, **options)

    monkeypatch.setattr(Client, "__init__", init)
    monkeypatch.setattr(engines, "CONNECT_S", 0.5)
    with pytest.raises(BadInput, match="no Dask scheduler answers at"), open_engine(address):
        pass
    assert all(client.status == "closed" for client in made)  # else one thrown away may wait for the next for ever


def test_a_scheduler_without_workers(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(engines, "WAIT_FOR_WORKERS_S", 0.5)
    with (
        patient_cluster(n_workers=0, processes=False) as empty,
        pytest.raises(BadInput, match="has no workers; start some with"),
        open_engine(empty.scheduler_address),  # with the usual time to answer: a loaded machine may need it
    ):
        pass


# --- without a cluster -----------------------------------------------------------------------------------------------------


def test_what_a_worker_cannot_open_is_looked_at_here(job: Callable[..., Path], whole: dict[str, bytes]) -> None:
    class OneBlindWorker(LocalEngine):
        def in_order(
            self, work: Callable[..., Any], items: Iterable[tuple[Any, ...]], *, light: bool = False
        ) -> Generator[Any, None, None]:
            for number, result in enumerate(super().in_order(work, items, light=light)):
                blind = isinstance(result, FrameRecord) and number % 2
                yield FrameRecord(result.frame, result.time, 0, "", "cannot be opened", None, {}, {}) if blind else result

        def everywhere(self, work: Callable[..., Any], *item: Any) -> dict[str, Any]:
            return {"tcp://seeing": work(*item)}

    assert files(job(OneBlindWorker())) == whole


@pytest.mark.parametrize("jobs", [1, 3])
def test_this_computer_keeps_the_order(jobs: int) -> None:
    assert list(LocalEngine(jobs).in_order(lambda a, b: a * b, ((number, 2) for number in range(20)))) == list(range(0, 40, 2))


def test_without_the_extra_the_pip_line_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("distributed", "fsspec", "fsspec.core"):
        monkeypatch.setitem(sys.modules, name, None)
    with pytest.raises(ProgramMissing, match=r"pip install 'frametally\[cluster\]'") as missing, open_engine("tcp://127.0.0.1:9"):
        pass
    assert missing.value.exit_code == ExitCode.PROGRAM_MISSING
    with pytest.raises(ProgramMissing, match=r"pip install 'frametally\[cluster\]'"):
        Url("memory://boat").files()
