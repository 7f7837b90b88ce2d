"""Second readings without Qt: who waits, what the blind reader marked, when it may be logged."""

from collections.abc import Callable
from dataclasses import dataclass, replace

from elinspect.catalogue import words
from elinspect.operations.reading_desk import ReadingDesk
from elinspect.operations.second_readings import SeenCell, WaitingReading
from elinspect.records import PANEL_KINDS, STRING_KINDS, Address, Flag, Kind, PanelResult
from elinspect.review.session import Review
from elinspect_ui.presenters.desk_work import Courier, in_words
from elinspect_ui.presenters.drawing import drawn_flag
from elinspect_ui.presenters.flag_lines import FlagLine, flag_lines, kind_choices, scheme_of
from elinspect_ui.presenters.places import PanelPlaces
from elinspect_ui.presenters.state import Notice, PictureState, Tone, picture_words

READING_KINDS = tuple((key, kind) for key, kind in kind_choices() if kind not in STRING_KINDS | PANEL_KINDS)
"""A reader marks cells; each kind with its key."""


@dataclass(frozen=True, slots=True, eq=False)
class ReadingsState:
    """Everything the page shows at one moment.

    Attributes
    ----------
    waiting : tuple of WaitingReading
        Panels that wait for this reader.
    others : int
        Panels that wait for somebody else: this reader decided them.
    current : WaitingReading or None
        The panel being read.
    result : PanelResult or None
        Its pictures and cells, without flags.
    seen : tuple of Flag
        Cells the reader marked.
    picture : PictureState
        Whether its picture is on screen.
    unseen : int
        Cells that have not been on screen whole.
    busy : bool
        Something is being read or written.
    notice : Notice or None
        The last thing said.
    """

    waiting: tuple[WaitingReading, ...] = ()
    others: int = 0
    current: WaitingReading | None = None
    result: PanelResult | None = None
    seen: tuple[Flag, ...] = ()
    picture: PictureState = PictureState.LOADING
    unseen: int = 0
    busy: bool = False
    notice: Notice | None = None

    @property
    def lines(self) -> tuple[FlagLine, ...]:
        """The marked cells as the picture shows them."""
        return flag_lines(Review("", self.result, added=self.seen)) if self.result is not None else ()

    @property
    def missing(self) -> str:
        """What stands in the way of logging the reading, in words; empty if it may be logged."""
        if self.current is None or self.result is None:
            return words("readings.no_panel")
        if self.picture is not PictureState.SHOWN:
            return picture_words(self.picture)
        return words("readings.unseen", n=self.unseen) if self.unseen else ""

    @property
    def empty(self) -> str:
        """Why there is nothing to read, in words; empty where there is."""
        if self.waiting:
            return ""
        return words("readings.only_own", n=self.others) if self.others else words("readings.none_waits")


class ReadingsPresenter:
    """Drives second readings, one panel after the other.

    Parameters
    ----------
    desk : ReadingDesk
        The log's side.
    courier : Courier
        Runs whatever touches the desk.
    on_change : callable
        Called with the new state after every change.
    """

    def __init__(self, desk: ReadingDesk, courier: Courier, on_change: Callable[[ReadingsState], None]) -> None:
        self._desk, self._courier, self._on_change = desk, courier, on_change
        self._reader = ""
        self.state = ReadingsState()

    def open(self, reader: str) -> None:
        """Read who waits for a reader; what another one marked, or in a panel that no longer waits, is dropped."""
        if reader != self._reader:
            self._reader = reader
            self._show(current=None, result=None, seen=(), notice=None)
        if not self.state.busy:
            self._show(busy=True)
            self._courier(self._desk.waiting, self._listed, self._failed)

    def _listed(self, found: tuple[tuple[WaitingReading, ...], int]) -> None:
        waiting, others = found
        self._show(waiting=waiting, others=others, busy=False)
        if self.state.current not in waiting:
            self._show(current=None, result=None, seen=())
            if waiting:
                self.choose(waiting[0])

    def choose(self, waiting: WaitingReading) -> None:
        """Begin to read a panel."""
        if self.state.busy or waiting == self.state.current:
            return
        self._show(busy=True, current=waiting, result=None, seen=(), picture=PictureState.LOADING)
        self._courier(lambda: self._desk.look(waiting), self._looked_at, self._failed)

    def _looked_at(self, result: PanelResult) -> None:
        if self.state.current is None:  # somebody else sat down meanwhile
            self._show(busy=False)
            self.open(self._reader)
        else:
            self._show(busy=False, result=result, unseen=len(result.cells))

    def ask(self, n: int, days: int) -> None:
        """Draw panels for a second reading."""
        if self.state.busy:
            return
        self._show(busy=True, notice=None)

        def drawn(n_drawn: int) -> None:
            self._show(busy=False, notice=Notice(words("readings.drawn", n=n_drawn), Tone.DONE))
            self.open(self._reader)

        self._courier(lambda: self._desk.ask(n, days), drawn, self._failed)

    # The picture

    def picture_shown(self) -> None:
        """Note that the picture is on screen."""
        self._show(picture=PictureState.SHOWN)

    def picture_failed(self) -> None:
        """Note that the picture cannot be shown: what nobody can see nobody has read."""
        self._show(picture=PictureState.FAILED)

    def cells_seen(self, unseen: int) -> None:
        """Note how many cells have not been on screen whole."""
        if self.state.result is not None and unseen != self.state.unseen:
            self._show(unseen=unseen)

    # What is seen

    def mark(self, places: PanelPlaces, address: Address | None, kind: Kind) -> None:
        """Mark a cell as defective; one that is marked becomes of the new kind."""
        if address is None or places.index_of(address) is None or self.state.result is None:
            self._say(words("readings.choose_cell"), Tone.HINT)
            return
        scheme = scheme_of(Review("", self.state.result))
        flag = drawn_flag(places, kind, None, address, scheme, self.state.result.quality.mm_per_px)
        self._show(seen=(*self._without(address), flag), notice=None)

    def unmark(self, address: Address | None) -> None:
        """Take the mark off a cell."""
        kept = self._without(address)
        if len(kept) == len(self.state.seen):
            self._say(words("readings.not_marked"), Tone.HINT)
        else:
            self._show(seen=kept, notice=None)

    def _without(self, address: Address | None) -> tuple[Flag, ...]:
        place = (address.string, address.position) if address is not None else None
        return tuple(flag for flag in self.state.seen if (flag.string, flag.position) != place)

    def log(self, note: str) -> None:
        """Log what was seen; the next panel that waits is opened."""
        state = self.state
        if state.busy:
            return
        if state.missing or state.current is None:
            self._say(state.missing, Tone.REFUSED)
            return
        waiting = state.current
        cells = [
            SeenCell(flag.string, flag.position, flag.kind)
            for flag in state.seen
            if flag.string is not None and flag.position is not None
        ]
        self._show(busy=True, notice=None)

        def logged(_none: None) -> None:
            self._show(
                busy=False, notice=Notice(words("readings.logged", serial=waiting.serial, n=len(cells)), Tone.DONE)
            )
            self.open(self._reader)

        self._courier(lambda: self._desk.log(waiting, cells, note.strip()), logged, self._failed)

    def _say(self, text: str, tone: Tone) -> None:
        self._show(notice=Notice(text, tone))

    def _failed(self, error: Exception) -> None:
        self._show(busy=False, notice=Notice(in_words(error), Tone.FAILED))

    def _show(self, **changes: object) -> None:
        self.state = replace(self.state, **changes)  # type: ignore[arg-type]
        self._on_change(self.state)
