"""Everything the inspector can do by key, in one table: actions, menus, key line and help are made from it."""

from dataclasses import dataclass
from typing import Literal

from elinspect.catalogue import words
from elinspect.catalogue.english import TEXTS

Group = Literal["flag", "view", "panel", "decide", "window"]
GROUPS: tuple[Group, ...] = ("flag", "decide", "panel", "view", "window")


@dataclass(frozen=True, slots=True)
class Command:
    """One thing that can be done.

    Attributes
    ----------
    name : str
        Also the end of its text's code, ``desktop.do.<name>``.
    group : str
        The menu it is in.
    keys : tuple of str
        Key names as Qt writes them, the one to show first.
    line : bool
        Whether the key line at the foot of the window names it.
    """

    name: str
    group: Group
    keys: tuple[str, ...]
    line: bool = False

    @property
    def text(self) -> str:
        """What it does, in a few words."""
        return words(f"desktop.do.{self.name}")

    @property
    def short(self) -> str:
        """The same in one or two words, for buttons and the key line."""
        code = f"desktop.short.{self.name}"
        return words(code) if code in TEXTS else self.text

    @property
    def shown_key(self) -> str:
        """The first key as it stands on the keyboard."""
        return key_words(self.keys[0])


COMMANDS: tuple[Command, ...] = (
    Command("next_flag", "flag", ("N", "Right", "Down"), line=True),
    Command("previous_flag", "flag", ("P", "Left", "Up"), line=True),
    Command("confirm", "flag", ("C",), line=True),
    Command("dismiss", "flag", ("D",), line=True),
    Command("change_kind", "flag", ("K",), line=True),
    Command("add_flag", "flag", ("A",), line=True),
    Command("redraw", "flag", ("O",)),
    Command("note", "flag", ("T",)),
    Command("confirm_cell", "flag", ("Shift+C",)),
    Command("dismiss_cell", "flag", ("Shift+D",)),
    Command("confirm_string", "flag", ("Ctrl+Shift+C",)),
    Command("take_back", "flag", ("Backspace",)),
    Command("undo", "flag", ("U", "Ctrl+Z"), line=True),
    Command("redo", "flag", ("R", "Ctrl+Y", "Ctrl+Shift+Z"), line=True),
    Command("accept", "decide", ("F6",), line=True),
    Command("rework", "decide", ("F7",), line=True),
    Command("hold", "decide", ("F8",), line=True),
    Command("concession", "decide", ("F9",)),
    Command("scrap", "decide", ("F10",)),
    Command("withdraw", "decide", ("Ctrl+Backspace",)),
    Command("next_panel", "panel", ("PgDown",), line=True),
    Command("previous_panel", "panel", ("PgUp",)),
    Command("open_again", "panel", ("F5",)),
    Command("scan", "panel", ("F2",)),
    Command("unread", "panel", ("F4",)),
    Command("earlier", "view", ("E",)),
    Command("rule", "view", ("X",)),
    Command("next_picture", "view", ("V",)),
    Command("zoom_flag", "view", ("Z",)),
    Command("fit", "view", ("F", "Home")),
    Command("zoom_in", "view", ("+", "=")),
    Command("zoom_out", "view", ("-",)),
    Command("true_pixels", "view", ("1",)),
    Command("cell_left", "view", ("Shift+Left",)),
    Command("cell_right", "view", ("Shift+Right",)),
    Command("cell_up", "view", ("Shift+Up",)),
    Command("cell_down", "view", ("Shift+Down",)),
    Command("marks", "view", ("M",)),
    Command("whole_cell", "view", ("W",)),
    Command("lighter", "view", ("]",)),
    Command("darker", "view", ("[",)),
    Command("contrast_reset", "view", ("\\",)),
    Command("page_gate", "window", ("Ctrl+1",)),
    Command("page_technician", "window", ("Ctrl+2",)),
    Command("page_figures", "window", ("Ctrl+3",)),
    Command("page_readings", "window", ("Ctrl+4",)),
    Command("sign_in", "window", ("F12",)),
    Command("lock", "window", ("Ctrl+L",)),
    Command("theme", "window", ("L",)),
    Command("larger_text", "window", ("Ctrl++", "Ctrl+=")),
    Command("smaller_text", "window", ("Ctrl+-",)),
    Command("help", "window", ("F1",), line=True),
    Command("walk", "window", ("Ctrl+F1",)),
    Command("close", "window", ("Ctrl+Q",)),
)

BY_NAME = {command.name: command for command in COMMANDS}

_KEY_CODES = {
    "Right": "desktop.key.right",
    "Left": "desktop.key.left",
    "Up": "desktop.key.up",
    "Down": "desktop.key.down",
    "PgDown": "desktop.key.page_down",
    "PgUp": "desktop.key.page_up",
    "Backspace": "desktop.key.backspace",
    "Home": "desktop.key.home",
    "Shift": "desktop.key.shift",
    "Ctrl": "desktop.key.ctrl",
}


def key_words(key: str) -> str:
    """Write a key the way it stands on the keyboard."""
    modifiers, _, last = (key[:-2], "+", "+") if key.endswith("++") else key.rpartition("+" if key != "+" else " ")
    parts = [*(modifiers.split("+") if modifiers else ()), last]
    return " ".join(words(_KEY_CODES[part]) if part in _KEY_CODES else part for part in parts)


def key_table() -> str:
    """Return the key map as Markdown, for the help."""
    parts = []
    for group in GROUPS:
        parts.append(f"### {words(f'desktop.menu.{group}').replace('&', '')}\n")
        parts.append(f"| {words('desktop.help.key')} | {words('desktop.help.does')} |\n|---|---|")
        for command in COMMANDS:
            if command.group == group:
                keys = ", ".join(f"**{key_words(key)}**" for key in command.keys)
                parts.append(f"| {keys} | {command.text} |".replace("\\", "\\\\"))
        parts.append("")
    return "\n".join(parts)
