"""The decision: its buttons, what stands in the way in words, the reason or note where one is asked, the cautions."""

from collections.abc import Mapping
from datetime import datetime

from PySide6.QtCore import Qt, Signal
from PySide6.QtGui import QAction, QKeyEvent
from PySide6.QtWidgets import (
    QHBoxLayout,
    QLabel,
    QLineEdit,
    QPushButton,
    QSizePolicy,
    QStackedWidget,
    QVBoxLayout,
    QWidget,
)

from elinspect.catalogue import words
from elinspect.records import Disposition
from elinspect_ui.panes.buttons import CommandButton
from elinspect_ui.panes.labels import plain_label, spread
from elinspect_ui.presenters.commands import BY_NAME
from elinspect_ui.presenters.queue import age_in_words
from elinspect_ui.presenters.state import DISPOSITIONS, Asked, Busy, GateState
from elinspect_ui.theme import DARK, Theme, tone_colour

_RARE = (Disposition.CONCESSION, Disposition.SCRAP)
"""Smaller buttons: a slip must not land on them."""


class _ReasonEdit(QLineEdit):
    """The line the reason is written in; Escape leaves it."""

    left = Signal()

    def keyPressEvent(self, event: QKeyEvent) -> None:
        if event.key() == Qt.Key.Key_Escape:
            self.left.emit()
        else:
            super().keyPressEvent(event)


class DecisionPane(QWidget):
    """The decision about the panel.

    Parameters
    ----------
    actions : mapping from str to QAction
        Of the window, by command.

    Attributes
    ----------
    written : Signal
        The inspector wrote what was asked: the text, and the owner of a hold.
    left : Signal
        The inspector left the question.
    """

    written = Signal(str, str)
    left = Signal()

    def __init__(self, actions: Mapping[str, QAction], parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setObjectName("pane")
        self.setAttribute(Qt.WidgetAttribute.WA_StyledBackground)
        self._theme: Theme = DARK
        self._asked: Disposition | Asked | None = None
        self.buttons: dict[Disposition, CommandButton] = {}
        row = QHBoxLayout()
        row.setSpacing(8)
        for disposition in DISPOSITIONS:
            button = CommandButton(disposition.value, actions[disposition.value])
            button.setProperty("role", "decide" if disposition not in _RARE else "rare")
            button.setSizePolicy(QSizePolicy.Policy.Fixed, QSizePolicy.Policy.Fixed)
            self.buttons[disposition] = button
            row.addWidget(button)
        self.condition = plain_label("", wrap=True)
        self.notice = plain_label("", wrap=True)
        said = QVBoxLayout()
        said.setSpacing(0)
        said.addStretch(1)
        said.addWidget(self.condition)
        said.addWidget(self.notice)
        said.addStretch(1)
        row.addLayout(said, 1)
        deciding = QWidget()
        deciding.setLayout(row)
        row.setContentsMargins(0, 0, 0, 0)
        self._stack = QStackedWidget()
        self._stack.addWidget(deciding)
        self._stack.addWidget(self._reason_page())
        caution = plain_label("caution", wrap=True)
        caution.setText(words("desktop.caution"))
        layout = QVBoxLayout(self)
        layout.setContentsMargins(8, 6, 8, 4)
        layout.setSpacing(4)
        layout.addWidget(self._stack)
        layout.addWidget(caution)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)

    def _reason_page(self) -> QWidget:
        page = QWidget()
        self._question = plain_label("title")
        self.reason = _ReasonEdit()
        self.reason.setMaxLength(500)
        self.reason.setAccessibleName(words("desktop.reason.name"))
        self.reason.setPlaceholderText(words("desktop.reason.placeholder"))
        self.owner = _ReasonEdit()
        self.owner.setMaxLength(100)
        self.owner.setAccessibleName(words("desktop.owner.name"))
        self._owner_label = plain_label("soft")
        self._owner_label.setText(words("desktop.owner.label"))
        self._owner_label.setBuddy(self.owner)
        for edit in (self.reason, self.owner):
            edit.returnPressed.connect(self._give)
            edit.left.connect(self.left)
        give = QPushButton(words("desktop.reason.give"))
        give.clicked.connect(self._give)
        leave = QPushButton(words("desktop.reason.leave"))
        leave.clicked.connect(self.left)
        self._reason_notice = plain_label("", wrap=True)
        row = QHBoxLayout()
        row.setSpacing(8)
        row.addWidget(self._question)
        row.addWidget(self.reason, 3)
        row.addWidget(self._owner_label)
        row.addWidget(self.owner, 1)
        row.addWidget(give)
        row.addWidget(leave)
        layout = QVBoxLayout(page)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.addLayout(row)
        layout.addWidget(self._reason_notice)
        return page

    def use_theme(self, theme: Theme, size_px: int) -> None:
        """Paint in a theme, text of a size."""
        self._theme = theme
        spread(self, size_px)
        # Room for two lines of conditions and a notice, so that nothing jumps when they come.
        self._stack.setFixedHeight(round(size_px * 4.2))

    def show_state(self, state: GateState) -> None:
        """Show what may be decided and what stands in the way."""
        proposed = state.review.result.proposal.disposition if state.review is not None else None
        for disposition, button in self.buttons.items():
            missing = state.missing_for(disposition)
            button.setEnabled(not missing)
            shown = " ".join(missing) if missing else words(f"desktop.do.{disposition}")
            planned = disposition is Disposition.REWORK and not missing
            button.setToolTip("\n".join([shown, *state.plan]) if planned else shown)
            if button.property("proposed") != (disposition is proposed):
                button.setProperty("proposed", disposition is proposed)
                button.style().unpolish(button)
                button.style().polish(button)
        self._show_words(state)
        self._show_question(state)

    def _show_words(self, state: GateState) -> None:
        """Say what stands in the way, and the last notice; the same words are not said twice but brought forward."""
        missing = " ".join(state.missing_for(Disposition.ACCEPT)) if state.review is not None else ""
        said = state.notice
        repeated = said is not None and said.text == missing
        self.condition.setText(self._condition(state))
        warning = self._theme.warning
        _restyle(self.condition, f"color: {warning}; font-weight: 600;" if repeated else "")
        text = words("desktop.writing") if state.busy is Busy.WRITING else said.text if said and not repeated else ""
        colour = tone_colour(self._theme, said.tone) if said else self._theme.soft
        for label in (self.notice, self._reason_notice):
            label.setText(text)
            _restyle(label, f"color: {colour}; font-weight: 600;")

    def _condition(self, state: GateState) -> str:
        review = state.review
        if review is None:
            return ""
        if review.decision is not None and review.hold is not None:
            age = age_in_words(review.hold.since, datetime.now().astimezone())
            return words("desktop.held_here", age=age, owner=review.hold.owner, reason=review.decision.reason)
        if review.decision is not None:
            key = BY_NAME["withdraw"].shown_key
            return words("desktop.decided_here", decision=review.decision.disposition.value, key=key)
        missing = state.missing_for(Disposition.ACCEPT)
        if state.plan and not state.unanswered:
            return words("desktop.rework_plan", plan=" ".join(state.plan))
        if missing:
            return words("desktop.accept_missing", missing=" ".join(missing))
        return words("desktop.accept_possible")

    def _show_question(self, state: GateState) -> None:
        if state.asking is self._asked:
            return
        self._asked = state.asking
        if state.asking is None:
            self._stack.setCurrentIndex(0)
            return
        proposal = state.review.result.proposal.disposition if state.review is not None else None
        self._question.setText(_question(state.asking, proposal))
        serial = state.asking is Asked.SERIAL
        self.reason.setPlaceholderText(words("desktop.serial.placeholder" if serial else "desktop.reason.placeholder"))
        self.reason.setAccessibleName(words("desktop.question.serial" if serial else "desktop.reason.name"))
        self.reason.setText(state.suggestion)
        self.owner.setText(state.owner)
        for part in (self._owner_label, self.owner):
            part.setVisible(state.asking is Disposition.HOLD)
        self.reason.selectAll()
        self._stack.setCurrentIndex(1)
        self.reason.setFocus(Qt.FocusReason.OtherFocusReason)

    def _give(self) -> None:
        self.written.emit(self.reason.text(), self.owner.text())


def _question(asked: Disposition | Asked, proposal: Disposition | None) -> str:
    if isinstance(asked, Asked):
        return words(f"desktop.question.{asked}")
    if asked is proposal or proposal is None:
        return words("desktop.question.plain", decision=asked.value)
    return words("desktop.reason.question", decision=asked.value, proposal=proposal.value)


def _restyle(label: QLabel, sheet: str) -> None:
    if label.styleSheet() != sheet:  # a style sheet set again costs as much as a new one
        label.setStyleSheet(sheet)
