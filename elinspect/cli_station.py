"""Commands about the live station."""

import signal
from pathlib import Path
from threading import Event
from typing import TYPE_CHECKING, Annotated

import typer

from elinspect.catalogue import words
from elinspect.cli_console import LogOption, err, in_words, log_place, out

if TYPE_CHECKING:
    from elinspect.station.journal import Journal
    from elinspect.station.running import Step

station_app = typer.Typer(no_args_is_help=True, help="The live station: inspect pictures as the camera writes them.")


@station_app.callback()
def _station() -> None:
    """Keep `run` a command of its own."""


@station_app.command("run")
@in_words
def run_station(
    file: Annotated[Path, typer.Argument(help="Station file (TOML).", metavar="FILE")],
    log: LogOption = None,
    replay: Annotated[
        Path | None, typer.Option(help="Play a recorded folder back for practice (rehearsal).", metavar="FOLDER")
    ] = None,
    speed: Annotated[float, typer.Option(help="With --replay: 2 is twice as fast.", min=0.01)] = 1.0,
    once: Annotated[bool, typer.Option("--once", help="Inspect what is complete now, then stop.")] = False,
) -> None:
    """Watch the camera's folder, inspect every panel as soon as its files are complete, and log it.

    Files that cannot be inspected are listed in the reviewer window. Stop with Ctrl+C: what runs is finished first, and
    the next start goes on from there.
    """
    from elinspect.station.running import Station, for_rehearsal, run
    from elinspect.station.running import replay as play_back
    from elinspect.station.station_file import read_station_file
    from elinspect.station.worker import Worker
    from elinspect.store.log import open_log

    settings = read_station_file(file)
    settings = for_rehearsal(settings) if replay is not None else settings
    place = log or settings.log or log_place(None)
    stop = Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda *_: stop.set())
    worker = Worker(settings, place)
    try:
        with open_log(place) as opened:
            if replay is not None:
                out.print(words("command.station_replay", folder=str(replay)), markup=False)
                play_back(settings, replay, worker, speed, stop, _say)
                return
            station = Station(settings, opened, worker, _journal(settings.name, opened.place))
            out.print(words("command.station_watching", folder=str(settings.folder), log=opened.place), markup=False)
            if once:
                for _ in range(2):  # the second look finds that nothing has changed for a while
                    for step in station.look():
                        _say(step)
                    stop.wait(settings.settle_s + 0.1)
            else:
                run(station, settings, stop, _say)
    finally:
        worker.close()


def _journal(name: str, log: str) -> "Journal":
    import hashlib

    from platformdirs import user_state_path

    from elinspect.station.journal import Journal

    mark = hashlib.sha256(f"{name}\n{log}".encode()).hexdigest()[:16]
    return Journal(user_state_path("elinspect") / "stations" / f"{mark}.jsonl")


def _say(step: "Step") -> None:
    outcome = step.outcome
    if outcome.reason is not None:
        code = "command.station_later" if outcome.came == "later" else "command.station_refused"
        err.print(words(code, key=step.key, reason=outcome.reason.text), style="bold red", markup=False)
        return
    assert outcome.proposal is not None
    serial = outcome.serial or words("desktop.no_serial")
    out.print(
        words(
            "command.station_inspected",
            key=step.key,
            serial=serial,
            proposal=outcome.proposal.value,
            seconds=step.seconds,
        ),
        markup=False,
    )
