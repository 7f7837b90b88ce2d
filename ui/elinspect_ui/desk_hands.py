"""Whose hands the desk is in: signing in, quick change, the window that locks itself."""

from collections.abc import Callable

from PySide6.QtCore import QEvent, QObject, QTimer
from PySide6.QtGui import QAction, QKeySequence, QShortcut
from PySide6.QtWidgets import QApplication, QMainWindow, QStackedWidget

from elinspect.catalogue import words
from elinspect.review.desk import Desk, Person
from elinspect_ui.jobs import Jobs
from elinspect_ui.panes.sign_in_pane import SignInPane
from elinspect_ui.presenters.desk_work import in_words

_SIGNS_OF_LIFE = frozenset(
    {QEvent.Type.KeyPress, QEvent.Type.MouseButtonPress, QEvent.Type.Wheel, QEvent.Type.TouchBegin}
)


class DeskHands(QObject):
    """Brings the page for signing in to the front when somebody else comes, or nobody has been there for a while.

    The panel on screen, the queue and the lock on the panel stay with the seat.

    Parameters
    ----------
    window : QMainWindow
        Whose actions are off meanwhile.
    desk : Desk
        What is signed in at.
    writer : Jobs
        The one thread that talks to the desk.
    front : QStackedWidget
        The window's pages.
    changed : callable
        Called with the person in words after somebody signed in.
    """

    def __init__(
        self, window: QMainWindow, desk: Desk, writer: Jobs, front: QStackedWidget, changed: Callable[[str], None]
    ) -> None:
        super().__init__(window)
        self._window, self._desk, self._writer, self._front = window, desk, writer, front
        self._changed = changed
        self._before = 0
        self._were_on: list[QAction] = []
        self._asking = False
        self._with_pin = False
        self.page = SignInPane()
        self.page.asked.connect(self._sign_in)
        self.page.left.connect(self._leave)
        leave = QShortcut(QKeySequence("Esc"), self.page)
        leave.activated.connect(self._leave)
        self._locked = False
        front.addWidget(self.page)
        self._idle = QTimer(self)
        self._idle.setSingleShot(True)
        self._idle.timeout.connect(self.lock)

    def start(self, lock_after_s: float | None) -> None:
        """Find out whether people here have PINs; ask at once where nobody is signed in."""
        if lock_after_s is not None:
            self._idle.setInterval(round(1000 * lock_after_s))

        def known(with_pin: bool) -> None:
            self._with_pin = with_pin
            if self._desk.person is None:
                self._show(locked=False)
            elif with_pin and lock_after_s is not None:
                self._idle.start()

        application = QApplication.instance()
        if application is not None:
            application.installEventFilter(self)
        self._writer.submit(self._desk.asks_pin, known, lambda error: self.page.refuse(in_words(error)))

    def stop(self) -> None:
        """Watch no more."""
        self._idle.stop()
        application = QApplication.instance()
        if application is not None:
            application.removeEventFilter(self)

    @property
    def asking(self) -> bool:
        """Whether the page is in front."""
        return self._asking

    def eventFilter(self, _watched: QObject, event: QEvent) -> bool:  # noqa: N802
        """Notice that somebody is there."""
        if event.type() in _SIGNS_OF_LIFE and self._idle.isActive():
            self._idle.start()
        return False

    def ask(self) -> None:
        """Let another person sign in; the one at the desk may also stay."""
        self._show(locked=False)

    def lock(self) -> None:
        """Lock the window until somebody signs in; without PINs there is nothing to lock with."""
        if self._with_pin:
            self._show(locked=True)

    def _show(self, *, locked: bool) -> None:
        if not self._asking:
            self._before = self._front.currentIndex()
            self._were_on = [action for action in self._window.actions() if action.isEnabled()]
            for action in self._were_on:
                action.setEnabled(False)
            self._window.menuBar().setEnabled(False)
        self._asking = True
        self._locked = locked
        self._idle.stop()
        person = self._desk.person
        self._front.setCurrentWidget(self.page)
        name = person.name if person is not None else ""
        self.page.begin(name, with_pin=self._with_pin, locked=locked, may_leave=not locked and person is not None)

    def _leave(self) -> None:
        if self._asking and not self._locked and self._desk.person is not None:
            self._back()
            self._changed(in_person_words(self._desk.person))

    def _sign_in(self, name: str, secret: str) -> None:
        def done(person: Person) -> None:
            self._back()
            self._changed(in_person_words(person))

        self._writer.submit(
            lambda: self._desk.sign_in(name, secret), done, lambda error: self.page.refuse(in_words(error))
        )

    def _back(self) -> None:
        self._asking = False
        self._window.menuBar().setEnabled(True)
        for action in self._were_on:
            action.setEnabled(True)
        self._front.setCurrentIndex(self._before)
        if self._with_pin and self._idle.interval() > 0:
            self._idle.start()


def in_person_words(person: Person | None) -> str:
    """Return who is signed in, with the role."""
    if person is None:
        return words("desktop.nobody")
    return words("desktop.signed_in", name=person.name, role=words(f"desktop.role.{person.role}"))
