"""The page on which a person signs in: name and PIN, or a badge; also the locked window."""

from PySide6.QtCore import Qt, Signal
from PySide6.QtWidgets import QHBoxLayout, QLabel, QLineEdit, QPushButton, QVBoxLayout, QWidget

from elinspect.catalogue import words
from elinspect_ui.panes.labels import plain_label

_WIDTH_IN_TEXT = 30


class SignInPane(QWidget):
    """Asks who is at the desk.

    Attributes
    ----------
    asked : Signal
        Name, and PIN or what the badge reader typed.
    left : Signal
        The person at the desk stays who it was.
    """

    asked = Signal(str, str)
    left = Signal()

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setObjectName("ground")
        self._title = plain_label("empty")
        self._hint = plain_label("soft", wrap=True)
        self.name = self._edit("desktop.sign_in.name")
        self.secret = self._edit("desktop.sign_in.secret")
        self.secret.setEchoMode(QLineEdit.EchoMode.Password)
        self._secret_label = self._label("desktop.sign_in.secret", self.secret)
        self._said = plain_label("warning", wrap=True)
        self._said.hide()
        give = QPushButton(words("desktop.sign_in.give"))
        give.setProperty("role", "answer")
        give.clicked.connect(self._give)
        self._leave = QPushButton(words("desktop.sign_in.leave"))
        self._leave.clicked.connect(self.left)
        row = QHBoxLayout()
        row.addWidget(give)
        row.addWidget(self._leave)
        row.addStretch(1)
        self._column = QWidget()
        self._column.setObjectName("pane")
        self._column.setAttribute(Qt.WidgetAttribute.WA_StyledBackground)
        column = QVBoxLayout(self._column)
        for part in (
            self._title,
            self._hint,
            self._label("desktop.sign_in.name", self.name),
            self.name,
            self._secret_label,
            self.secret,
            self._said,
        ):
            column.addWidget(part)
        column.addSpacing(8)
        column.addLayout(row)
        across = QHBoxLayout()
        across.addStretch(1)
        across.addWidget(self._column)
        across.addStretch(1)
        outer = QVBoxLayout(self)
        outer.addStretch(2)
        outer.addLayout(across)
        outer.addStretch(3)

    def _edit(self, code: str) -> QLineEdit:
        edit = QLineEdit()
        edit.setMaxLength(200)
        edit.setAccessibleName(words(code))
        edit.returnPressed.connect(self._give)
        return edit

    def _label(self, code: str, buddy: QLineEdit) -> QLabel:
        label = plain_label("soft")
        label.setText(words(code))
        label.setBuddy(buddy)
        return label

    def use_size(self, size_px: int) -> None:
        """Leave room for text of a size."""
        self._column.setFixedWidth(_WIDTH_IN_TEXT * size_px)
        layout = self._column.layout()
        if layout is not None:
            layout.setContentsMargins(2 * size_px, 2 * size_px, 2 * size_px, 2 * size_px)
            layout.setSpacing(round(0.5 * size_px))

    def begin(self, name: str, *, with_pin: bool, locked: bool, may_leave: bool) -> None:
        """Ask anew.

        Parameters
        ----------
        name : str
            Who was at the desk last.
        with_pin : bool
            Whether people here have PINs and badges.
        locked : bool
            Say that the window locked itself.
        may_leave : bool
            Whether the person at the desk may simply stay.
        """
        self._title.setText(words("desktop.sign_in.locked" if locked else "desktop.sign_in.title"))
        self._hint.setText(words("desktop.sign_in.hint_pin" if with_pin else "desktop.sign_in.hint_name"))
        self.name.setText(name)
        self.secret.clear()
        self._said.hide()
        self.secret.setVisible(with_pin)
        self._secret_label.setVisible(with_pin)
        self._leave.setVisible(may_leave)
        first = self.secret if with_pin else self.name
        first.setFocus(Qt.FocusReason.OtherFocusReason)
        self.name.selectAll()

    def refuse(self, text: str) -> None:
        """Say why nobody was signed in."""
        self._said.setText(text)
        self._said.show()
        self.secret.clear()
        if self.secret.isVisible():
            self.secret.setFocus(Qt.FocusReason.OtherFocusReason)

    def _give(self) -> None:
        self.asked.emit(self.name.text(), self.secret.text())
