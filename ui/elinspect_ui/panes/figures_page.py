"""The quality page: Pareto and chart with filters, and their export."""

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
)

from elinspect.catalogue import words
from elinspect.operations.figure_files import DRAWINGS, TABLES
from elinspect.operations.log_pages import FiguresAsked, FiguresView, LogPages
from elinspect.operations.pareto import ParetoTable
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
        for control in (self.period, self.purpose, self.kind, self._export):
            self.controls.addWidget(control)
        second = QHBoxLayout()
        for control in (self.by, self.count, self.measure, self.compared, self.chart):
            control.shares_width()
            second.addWidget(control, 1)
        self.filters.addLayout(second)
        self.period.box.setCurrentIndex(_PERIODS.index(28))
        self._figures = QHBoxLayout()
        self._sentence = QLabel()
        self._sentence.setWordWrap(True)
        self._table = QTableWidget()
        self._table.setEditTriggers(QTableWidget.EditTrigger.NoEditTriggers)
        self._table.verticalHeader().hide()
        self._table.setAccessibleName(words("page.figures"))
        names = self._table.horizontalHeader()
        names.setSectionResizeMode(QHeaderView.ResizeMode.Stretch)  # ten columns fit a small window
        names.setDefaultAlignment(Qt.AlignmentFlag.AlignCenter | Qt.TextFlag.TextWordWrap)
        column = QVBoxLayout(self.body)
        column.addLayout(self._figures)
        column.addWidget(self._sentence)
        column.addWidget(self._table)
        column.addStretch(1)

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
        """Read Pareto and chart."""
        if hasattr(self, "_table"):
            asked = self.asked
            self.read(lambda: self._pages.figures(asked), self._show)

    def _show(self, view: FiguresView) -> None:
        self._shown = view.table
        self._export.setEnabled(view.table is not None)
        if view.table is None:
            self.say(view.empty)
            return
        emptied(self._figures)
        for png in view.pictures:
            self._figures.addWidget(FigureLabel(png, self._theme), 1, Qt.AlignmentFlag.AlignTop)
        self._sentence.setText(view.sentence)
        self._fill(view.table)
        self.show_body(words(f"purpose.{view.purpose.value}"))

    def _fill(self, table: ParetoTable) -> None:
        self._table.setColumnCount(len(table.header))
        self._table.setHorizontalHeaderLabels(list(table.header))
        self._table.setRowCount(len(table.rows))
        shares = {words("pareto.share"), words("pareto.cumulative_share")}
        for line, row in enumerate(table.rows):
            for column, (name, value) in enumerate(zip(table.header, table.values(row), strict=True)):
                shown = (
                    f"{value:.1%}"
                    if name in shares and isinstance(value, float)
                    else str(value if value is not None else "")
                )
                item = QTableWidgetItem(shown)
                if column:
                    item.setTextAlignment(Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter)
                self._table.setItem(line, column, item)
        rows = sum(self._table.rowHeight(row) for row in range(len(table.rows)))
        names = self._table.horizontalHeader()
        names.setFixedHeight(2 * names.fontMetrics().lineSpacing() + 10)
        self._table.setFixedHeight(names.height() + rows + 4)

    def _ask_file(self) -> None:
        kinds = " ".join(f"*{suffix}" for suffix in (*TABLES, *DRAWINGS))
        file, _ = QFileDialog.getSaveFileName(self, words("page.export"), "pareto.xlsx", kinds)
        if file:
            self.export(Path(file))

    def export(self, path: Path) -> None:
        """Write the Pareto as shown."""
        table = self._shown
        if table is not None:
            self._jobs.submit(
                lambda: self._pages.save_pareto(table, path),
                lambda _none: self.tell(words("page.exported", file=str(path))),
                self.fail,
            )
