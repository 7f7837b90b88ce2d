"""Commands about the live station."""

import signal
from pathlib import Path
from threading import Event
from typing import TYPE_CHECKING, Annotated

import typer

from elinspect.catalogue import words
from elinspect.cli_console import LogOption, err, in_words, log_place, out

if TYPE_CHECKING:
    from elinspect.station.running import Station, Step
    from elinspect.station.station_file import StationFile

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
        Path | None,
        typer.Option(help="Play a recorded folder back for practice; nothing is released.", metavar="FOLDER"),
    ] = None,
    speed: Annotated[float, typer.Option(help="With --replay: 2 is twice as fast.", min=0.01)] = 1.0,
    once: Annotated[bool, typer.Option("--once", help="Inspect what is complete now, then stop.")] = False,
) -> None:
    """Watch the camera's folder, inspect every panel as soon as its files are complete, and log it.

    Files that cannot be inspected are listed in the reviewer window. Stop with Ctrl+C: what runs is finished first, and
    the next start goes on from there.
    """
    from elinspect.station.journal import Journal, alone
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
                known = play_back(settings, replay, opened, worker, speed, stop, _say)
                if known:
                    out.print(words("command.station_known", known=known), markup=False)
                return
            place_of_journal = _journal_path(settings.name, opened.place)
            with alone(place_of_journal, settings.name):
                station = Station(settings, opened, worker, Journal(place_of_journal))
                watching = words("command.station_watching", folder=str(settings.folder), log=opened.place)
                out.print(watching, markup=False)
                if once:
                    _work_once(station, settings, stop)
                else:
                    run(station, settings, stop, _say)
    finally:
        worker.close()


def _work_once(station: "Station", settings: "StationFile", stop: Event) -> None:
    for _ in range(2):  # the second look finds that nothing has changed for a while
        for step in station.look():
            _say(step)
        stop.wait(settings.settle_s + 0.1)


def _journal_path(name: str, log: str) -> Path:
    import hashlib

    from platformdirs import user_state_path

    mark = hashlib.sha256(f"{name}\n{log}".encode()).hexdigest()[:16]
    return user_state_path("elinspect") / "stations" / f"{mark}.jsonl"


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
    for alert in outcome.alerts:
        err.print(words("alert.new", alert=alert.text), style="bold", markup=False)
