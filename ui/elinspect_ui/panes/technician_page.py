"""The technician's page: what to act on, alerts, maps, timeline, and a mark for what was done."""

from collections.abc import Callable
from pathlib import Path

from PySide6.QtCore import Qt, QTimer
from PySide6.QtGui import QKeySequence, QShortcut
from PySide6.QtWidgets import (
    QFileDialog,
    QFormLayout,
    QHBoxLayout,
    QLabel,
    QLineEdit,
    QListWidget,
    QPushButton,
    QStackedWidget,
    QVBoxLayout,
    QWidget,
)

from elinspect.catalogue import words
from elinspect.operations.log_pages import CardView, LogPages, TechnicianView, alert_words
from elinspect.records import Kind
from elinspect.review.desk import Person
from elinspect.review.gate import Role
from elinspect_ui.jobs import Jobs
from elinspect_ui.panes.log_page import Choice, FigureLabel, LogPage, emptied, scrolling

MARKING = (Role.TECHNICIAN, Role.INSPECTOR, Role.QUALITY_ENGINEER, Role.ADMINISTRATOR)
"""Who may mark what was done to a machine; an auditor only reads."""
AGAIN_MS = 60_000
"""How often the page is read again while it is in front."""


class TechnicianPage(LogPage):
    """See the module.

    Parameters
    ----------
    jobs : Jobs
        Does the reading.
    pages : LogPages
        The log.
    who : callable
        Who is signed in and marks maintenance.
    """

    def __init__(self, jobs: Jobs, pages: LogPages, who: Callable[[], Person | None]) -> None:
        super().__init__(jobs, words("page.technician"), scrolls=False)
        self._pages, self._who = pages, who
        self._view: TechnicianView | None = None
        kinds = [(None, words("commonality.all_kinds")), *((kind, words(f"kind.{kind.value}")) for kind in Kind)]
        self._kind = Choice(words("page.kind"), kinds, self.open)
        self._again = QPushButton(words("page.again"))
        self._again.clicked.connect(self.open)
        self.controls.addWidget(self._kind)
        self.controls.addWidget(self._again)
        drawn, shown = QWidget(), QWidget()
        self._figures, self._card_column = QVBoxLayout(drawn), QVBoxLayout(shown)
        self._right = QStackedWidget()
        self._right.addWidget(scrolling(drawn))
        self._right.addWidget(scrolling(shown))
        row = QHBoxLayout(self.body)
        row.addLayout(self._left(), 2)
        row.addWidget(self._right, 3)
        self.setFocusProxy(self._alerts)
        back = QShortcut(QKeySequence(Qt.Key.Key_Escape), self, self.put_card_away)
        back.setContext(Qt.ShortcutContext.WidgetWithChildrenShortcut)
        self._each_minute = QTimer(self)
        self._each_minute.setInterval(AGAIN_MS)
        self._each_minute.timeout.connect(self._look_again)
        self._each_minute.start()

    def _look_again(self) -> None:
        """Read again while the page is in front and nobody has chosen an alert on it."""
        if self.isVisible() and self._alerts.currentRow() < 0:
            self.open()

    def _left(self) -> QVBoxLayout:
        self._headline, self._basis, self._work = QLabel(), QLabel(), QLabel()
        self._headline.setProperty("role", "title")
        self._basis.setProperty("role", "soft")
        caution = QLabel(words("commonality.caution"))
        caution.setProperty("role", "caution")
        self._alerts = QListWidget()
        self._alerts.setWordWrap(True)
        self._alerts.setAccessibleName(words("page.alerts"))
        self._card = QPushButton(words("page.save_card"))
        self._card.clicked.connect(self._ask_card)
        self._alerts.currentRowChanged.connect(self._alert_chosen)
        column = QVBoxLayout()
        for label in (self._headline, self._basis, caution):
            label.setWordWrap(True)
            column.addWidget(label)
        column.addWidget(_heading(words("page.alerts")))
        column.addWidget(self._alerts, 1)
        column.addWidget(self._card)
        column.addWidget(_heading(words("page.work")))
        self._work.setWordWrap(True)
        column.addWidget(self._work)
        column.addLayout(self._mark_row())
        return column

    def _mark_row(self) -> QHBoxLayout:
        self.machine, self.lane, self.what = QLineEdit(), QLineEdit(), QLineEdit()
        row = QHBoxLayout()
        for field, name, stretch in ((self.machine, "machine", 2), (self.lane, "lane", 1), (self.what, "what", 4)):
            field.setPlaceholderText(words(f"page.{name}"))
            field.setAccessibleName(words(f"page.{name}"))
            row.addWidget(field, stretch)
        mark = QPushButton(words("page.mark"))
        mark.clicked.connect(self.mark)
        self.what.returnPressed.connect(self.mark)
        row.addWidget(mark)
        return row

    def open(self) -> None:
        """Read what to look at."""
        kind = Kind(self._kind.value) if self._kind.value else None  # Qt gives back plain texts
        self.read(lambda: self._pages.technician(kind), self._show)

    def _show(self, view: TechnicianView) -> None:
        self._view = view
        self._work.setText("\n".join(view.work) or words("page.no_work"))
        if view.empty:
            self.say(view.empty)
            return
        self._headline.setText(view.headline)
        self._basis.setText("\n".join(view.lines))
        self.put_card_away()
        self._alerts.clear()
        self._alerts.addItems(list(alert_words(view.alerts)) or [words("page.no_alert")])
        self._card.setEnabled(False)
        emptied(self._figures)
        for png in view.pictures:
            self._figures.addWidget(FigureLabel(png, self._theme))
        self._figures.addStretch(1)
        if view.machine and not self.machine.text():
            self.machine.setText(view.machine)
            self.lane.setText(view.lane)
        self.show_body(words(f"purpose.{view.purpose.value}"))

    def _alert_chosen(self, row: int) -> None:
        chosen = self._view is not None and 0 <= row < len(self._view.alerts)
        self._card.setEnabled(chosen)
        if chosen and self._view is not None:
            alert = self._view.alerts[row]
            self.machine.setText(alert.stringer)
            self.lane.setText(alert.lane)
            self._jobs.submit(lambda: self._pages.card(alert), self._show_card, self.fail)

    def _show_card(self, shown: CardView) -> None:
        """Show the card of an alert in the place of the maps."""
        emptied(self._card_column)
        self._card_column.addWidget(_label(shown.title, "title"))
        self._card_column.addWidget(_label(shown.headline, ""))
        facts = QWidget()
        form = QFormLayout(facts)
        form.setContentsMargins(0, 6, 0, 6)
        for name, text in shown.facts:
            form.addRow(_label(name, "soft"), _label(text, ""))
        self._card_column.addWidget(facts)
        caution, *rest = shown.lines
        self._card_column.addWidget(_label(caution, "caution"))
        self._card_column.addWidget(FigureLabel(shown.picture, self._theme))
        for line in rest:
            self._card_column.addWidget(_label(line, "soft"))
        back = QPushButton(words("page.card_away"))
        back.clicked.connect(self.put_card_away)
        self._card_column.addWidget(back, 0, Qt.AlignmentFlag.AlignLeft)
        self._card_column.addStretch(1)
        self._right.setCurrentIndex(1)

    def put_card_away(self) -> None:
        """Show the maps again; no alert is chosen then."""
        self._right.setCurrentIndex(0)
        self._alerts.setCurrentRow(-1)

    def _ask_card(self) -> None:
        file, _ = QFileDialog.getSaveFileName(self, words("page.save_card"), "alert.pdf", "PDF (*.pdf)")
        if file:
            self.save_card(Path(file))

    def save_card(self, path: Path) -> None:
        """Write the card of the chosen alert."""
        if self._view is not None and 0 <= self._alerts.currentRow() < len(self._view.alerts):
            alert = self._view.alerts[self._alerts.currentRow()]
            self._jobs.submit(
                lambda: self._pages.save_card(alert, path),
                lambda _none: self.tell(words("page.exported", file=str(path))),
                self.fail,
            )

    def mark(self) -> None:
        """Log that something was done to the machine now."""
        machine, lane, what = (field.text().strip() for field in (self.machine, self.lane, self.what))
        if not machine or not what:
            self.tell(words("page.mark_needs"), role="warning")
            return
        person = self._who()
        if person is None or person.role not in MARKING:
            self.tell(words("page.mark_role"), role="warning")
            return

        def marked(_none: None) -> None:
            self.what.clear()
            self.tell(words("page.marked", machine=machine, lane=lane, what=what))
            self.open()

        self._jobs.submit(lambda: self._pages.mark_maintenance(machine, lane, what, person.name), marked, self.fail)


def _heading(text: str) -> QWidget:
    return _label(text, "soft")


def _label(text: str, role: str) -> QLabel:
    label = QLabel(text)
    label.setWordWrap(True)
    label.setProperty("role", role)
    return label
