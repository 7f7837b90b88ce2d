"""Help: what the gate is for, the keys, the cautions."""

from importlib import resources

from PySide6.QtCore import QEvent, Qt
from PySide6.QtWidgets import QTextBrowser, QWidget

from elinspect.catalogue import words
from elinspect_ui.presenters.commands import key_table


class HelpWindow(QTextBrowser):
    """Shows the help as a window of its own; Escape closes it."""

    def __init__(self, parent: QWidget) -> None:
        super().__init__(parent)
        self.setWindowFlag(Qt.WindowType.Window)
        self.setWindowTitle(words("desktop.help.title"))
        self.setMarkdown(help_text())
        self.setOpenLinks(False)

    def event(self, event: QEvent) -> bool:
        if event.type() == QEvent.Type.KeyPress and event.key() in (Qt.Key.Key_Escape, Qt.Key.Key_F1):  # type: ignore[attr-defined]
            self.close()
            return True
        return super().event(event)


def help_text(language: str = "english") -> str:
    """Return the help as Markdown, the key map made from the commands themselves."""
    text = resources.files("elinspect_ui").joinpath("help", language, "gate.md").read_text(encoding="utf-8")
    return text.replace("{keys}", key_table())
