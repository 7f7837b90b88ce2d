"""Help: one text per part of the window, the keys, the cautions."""

from importlib import resources

from PySide6.QtCore import QEvent, Qt
from PySide6.QtGui import QFont, QFontInfo
from PySide6.QtWidgets import QHBoxLayout, QListWidget, QListWidgetItem, QScroller, QTextBrowser, QWidget

from elinspect.catalogue import words
from elinspect_ui.presenters.commands import key_table

TOPICS = ("gate", "flags", "decision", "picture", "people", "readings", "technician", "figures")
"""One Markdown file each in ``help/<language>``."""


class HelpWindow(QWidget):
    """Shows the help as a window of its own; Escape closes it."""

    def __init__(self, parent: QWidget) -> None:
        super().__init__(parent)
        self.setObjectName("ground")
        self.setWindowFlag(Qt.WindowType.Window)
        self.setAttribute(Qt.WidgetAttribute.WA_StyledBackground)
        self.setWindowTitle(words("desktop.help.title"))
        self._topics = QListWidget()
        self._topics.setAccessibleName(words("desktop.help.topics"))
        self._topics.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        for topic in TOPICS:
            item = QListWidgetItem(words(f"desktop.help.{topic}"))
            item.setData(Qt.ItemDataRole.UserRole, topic)
            self._topics.addItem(item)
        self._text = QTextBrowser()
        self._text.setOpenLinks(False)
        QScroller.grabGesture(self._text.viewport(), QScroller.ScrollerGestureType.TouchGesture)
        self._text.setAccessibleName(words("desktop.help.title"))
        self._topics.currentItemChanged.connect(self._show_chosen)
        layout = QHBoxLayout(self)
        layout.addWidget(self._topics, 1)
        layout.addWidget(self._text, 4)

    def show_topic(self, topic: str) -> None:
        """Show the text about a part of the window."""
        self._topics.setCurrentRow(TOPICS.index(topic))

    def toPlainText(self) -> str:
        """Return the text on screen without its markup."""
        return self._text.toPlainText()

    def _show_chosen(self, item: QListWidgetItem | None) -> None:
        if item is not None:
            # Qt takes the gaps between paragraphs from the font's points; the style sheet gives it pixels.
            font = QFont(self._text.font())
            font.setPointSizeF(QFontInfo(font).pointSizeF())
            self._text.document().setDefaultFont(font)
            self._text.setMarkdown(help_text(topic=item.data(Qt.ItemDataRole.UserRole)))

    def event(self, event: QEvent) -> bool:
        if event.type() == QEvent.Type.KeyPress and event.key() in (Qt.Key.Key_Escape, Qt.Key.Key_F1):  # type: ignore[attr-defined]
            self.close()
            return True
        return super().event(event)


def help_text(language: str = "english", topic: str = "gate") -> str:
    """Return a help text as Markdown, the key map made from the commands themselves."""
    text = resources.files("elinspect_ui").joinpath("help", language, f"{topic}.md").read_text(encoding="utf-8")
    return text.replace("{keys}", key_table())
