"""The quality page: Pareto and chart, or people and machine, with filters, and their export."""

from collections.abc import Collection, Sequence
from pathlib import Path

from PySide6.QtCore import Qt
from PySide6.QtWidgets import (
    QFileDialog,
    QHBoxLayout,
    QHeaderView,
    QLabel,
    QPushButton,
    QTableWidget,
    QTableWidgetItem,
    QVBoxLayout,
    QWidget,
)

from elinspect.catalogue import Value, words
from elinspect.operations.figure_files import DRAWINGS, TABLES
from elinspect.operations.log_pages import FiguresAsked, FiguresView, LogPages, PeopleView
from elinspect.operations.pareto import ParetoTable
from elinspect.operations.report_making import Report
from elinspect.records import Kind, Purpose
from elinspect.statistics.asked import ChartOf
from elinspect.statistics.pareto import CountOf, GroupBy, Measure
from elinspect_ui.jobs import Jobs
from elinspect_ui.panes.log_page import Choice, FigureLabel, LogPage, emptied

_PERIODS = (1, 7, 28, 90, 0)
_MEASURES = (Measure.CELLS, Measure.FLAGS, Measure.PANELS, Measure.PER_MILLION)  # the others need figures of the plant


class FiguresPage(LogPage):
    """See the module.

    Parameters
    ----------
    jobs : Jobs
        Does the reading.
    pages : LogPages
        The log.
    """

    def __init__(self, jobs: Jobs, pages: LogPages) -> None:
        super().__init__(jobs, words("page.figures"))
        self._pages = pages
        self._shown: ParetoTable | None = None
        self._report: Report | None = None
        periods = [(days, words("page.days", n=days) if days else words("page.whole_log")) for days in _PERIODS]
        self.by = Choice(words("page.by"), [(by, words(f"pareto.{by.value}")) for by in GroupBy], self.open)
        counts = [(count, words(f"count.{count.value}")) for count in CountOf]
        self.count = Choice(words("page.count"), counts, self.open)
        charts = [(chart, words(f"chart.{chart.value}")) for chart in ChartOf]
        self.chart = Choice(words("page.chart"), charts, self.open)
        self.period = Choice(words("page.period"), periods, self.open)
        self._export = QPushButton(words("page.export"))
        self._export.clicked.connect(self._ask_file)
        kinds = [(None, words("commonality.all_kinds")), *((kind, words(f"kind.{kind.value}")) for kind in Kind)]
        self.kind = Choice(words("page.kind"), kinds, self.open)
        measures = [(measure, words(f"measure.{measure.value}")) for measure in _MEASURES]
        self.measure = Choice(words("page.measure"), measures, self.open)
        purposes = [(purpose, words(f"purpose.{purpose.value}")) for purpose in Purpose]
        self.purpose = Choice(words("page.of_purpose"), [(None, words("page.usual_purpose")), *purposes], self.open)
        compared = [(False, words("page.not_compared")), (True, words("page.days_before"))]
        self.compared = Choice(words("page.compared"), compared, self.open)
        shown = [("pareto", words("page.shown_pareto")), ("people", words("page.shown_people"))]
        self.shown = Choice(words("page.shown"), shown, self.open)
        for control in (self.shown, self.period, self.purpose, self.kind, self._export):
            self.controls.addWidget(control)
        second = QHBoxLayout()
        self._of_pareto = (self.by, self.count, self.measure, self.compared, self.chart)
        for control in self._of_pareto:
            control.shares_width()
            second.addWidget(control, 1)
        self.filters.addLayout(second)
        self.period.box.setCurrentIndex(_PERIODS.index(28))
        self._figures, self._people = QHBoxLayout(), QVBoxLayout()
        self._sentence = QLabel()
        self._sentence.setWordWrap(True)
        self._table = _table(words("page.figures"))
        column = QVBoxLayout(self.body)
        column.addLayout(self._figures)
        column.addWidget(self._sentence)
        column.addWidget(self._table)
        column.addLayout(self._people)
        column.addStretch(1)
        self.setFocusProxy(self.shown.box)

    @property
    def asked(self) -> FiguresAsked:
        """Filters as chosen."""
        return FiguresAsked(
            self.by.value,
            self.count.value,
            self.chart.value,
            self.period.value,
            Kind(self.kind.value) if self.kind.value else None,  # Qt gives back plain texts
            Measure(self.measure.value),
            Purpose(self.purpose.value) if self.purpose.value else None,
            self.compared.value,
        )

    def open(self) -> None:
        """Read Pareto and chart, or people and machine."""
        if hasattr(self, "_table"):
            asked, people = self.asked, self.shown.value == "people"
            for control in (*self._of_pareto, self.kind):
                control.setEnabled(not people)
            if people:
                self.read(lambda: self._pages.people(asked), self._show_people)
            else:
                self.read(lambda: self._pages.figures(asked), self._show)

    def _show(self, view: FiguresView) -> None:
        self._shown, self._report = view.table, None
        self._export.setEnabled(view.table is not None)
        if view.table is None:
            self.say(view.empty)
            return
        self._cleared()
        for png in view.pictures:
            self._figures.addWidget(FigureLabel(png, self._theme), 1, Qt.AlignmentFlag.AlignTop)
        self._sentence.setText(view.sentence)
        shares = {words("pareto.share"), words("pareto.cumulative_share")}
        columns = [number for number, name in enumerate(view.table.header) if name in shares]
        _fill(self._table, view.table.header, [view.table.values(row) for row in view.table.rows], columns)
        self._table.show()
        self.show_body(words(f"purpose.{view.purpose.value}"))

    def _show_people(self, view: PeopleView) -> None:
        self._shown, self._report = None, view.report
        self._export.setEnabled(view.report is not None)
        if view.report is None:
            self.say(view.empty)
            return
        self._cleared()
        self._table.hide()
        self._sentence.setText(view.period)
        for each in view.tables:
            self._people.addWidget(_heading(each.heading))
            table = _table(each.heading)
            _fill(table, each.header, each.rows, each.shares)
            self._people.addWidget(table)
        for text in view.sentences:
            told = QLabel(text)
            told.setWordWrap(True)
            self._people.addWidget(told)
        self.show_body(words(f"purpose.{view.purpose.value}"))

    def _cleared(self) -> None:
        emptied(self._figures)
        emptied(self._people)

    def _ask_file(self) -> None:
        endings, name = ((".xlsx", ".pdf"), "people") if self._report is not None else ((*TABLES, *DRAWINGS), "pareto")
        kinds = " ".join(f"*{suffix}" for suffix in endings)
        file, _ = QFileDialog.getSaveFileName(self, words("page.export"), f"{name}.xlsx", kinds)
        if file:
            self.export(Path(file))

    def export(self, path: Path) -> None:
        """Write what is shown."""
        table, report = self._shown, self._report
        if table is None and report is None:
            return

        def write() -> None:
            if report is not None:
                self._pages.save_report(report, path)
            elif table is not None:
                self._pages.save_pareto(table, path)

        self._jobs.submit(write, lambda _none: self.tell(words("page.exported", file=str(path))), self.fail)


def _table(name: str) -> QTableWidget:
    table = QTableWidget()
    table.setEditTriggers(QTableWidget.EditTrigger.NoEditTriggers)
    table.verticalHeader().hide()
    table.setAccessibleName(name)
    names = table.horizontalHeader()
    names.setSectionResizeMode(QHeaderView.ResizeMode.Stretch)  # ten columns fit a small window
    names.setDefaultAlignment(Qt.AlignmentFlag.AlignCenter | Qt.TextFlag.TextWordWrap)
    return table


def _fill(table: QTableWidget, header: Sequence[str], rows: Sequence[Sequence[Value]], shares: Collection[int]) -> None:
    table.setColumnCount(len(header))
    table.setHorizontalHeaderLabels(list(header))
    table.setRowCount(len(rows))
    for line, row in enumerate(rows):
        for column, value in enumerate(row):
            item = QTableWidgetItem(_shown(value, column in shares))
            if column:
                item.setTextAlignment(Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter)
            table.setItem(line, column, item)
    heights = sum(table.rowHeight(row) for row in range(len(rows)))
    names = table.horizontalHeader()
    names.setSectionResizeMode(0, QHeaderView.ResizeMode.ResizeToContents)  # names are never cut
    names.setFixedHeight(2 * names.fontMetrics().lineSpacing() + 10)
    table.setFixedHeight(names.height() + heights + 4)


def _shown(value: Value, share: bool) -> str:
    if value is None:
        return ""
    return f"{value:.1%}" if share and isinstance(value, float) else str(value)


def _heading(text: str) -> QWidget:
    label = QLabel(text)
    label.setProperty("role", "soft")
    return label
