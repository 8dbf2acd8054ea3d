"""Cells that instruments, exports and spreadsheets write. ``@`` stands for the decimal mark of the file."""

NO_VALUE = (
    "", " ", "-", "--", "---", "n/a", "N/A", "#N/A", "NaN", "nan", "null", "NULL", "None", "1@#QNAN", "1@#INF",
    "-1@#IND", "1.#QNAN", "1.#INF", "-1.#IND", "-nan(ind)", "#DIV/0!", "#VALUE!", "#REF!", "#####", "***", "error",
    "Err", "OVL", "OL", "OFL", "OVER", "UL", "invalid", "no data", "inf", "-inf", "Infinity", "\u2014", "?",
)  # fmt: skip
"""Words, marks and error values: nothing was read."""

ODD_NUMBERS = (
    "2E", "1e", "2e+", "1..2", "2@3@4", "1@2@", "12:30", "2031-03-03", "0x10", "1_0", "\u00bd", "2@5?", "2@5 2@5",
    "(2@5)", "2@5-", "+-2", "--2", "2\u00b2", "1e999", "'2@5", "2@5 degC", "2@5 A", "0@95 kA", "4@5 Hz", "2@5;5",
    "TRUE", "~2@5", "ca. 2@5", "2@5*", "2@5#", "2@5 (est)", "1d3", "2@5e", "-2@5", "-230@1", "0 274", "1'23", "12 34",
    "1,2,3", "<", ">", "<>2", "<<2", ">=", "< OL", "<-2", ">-2", "<2 OL", "2@5 OL?", "1/2", "2@5/3", "230@0/230@1",
    "2@5\u00b10@1", "$2", "4@5 kV", "230 mA", "2 %%", "0@0@0", "\u2212230", "\u2212", "e5", "E", "nan230", "230nan",
    "2@5OK",
)  # fmt: skip
"""What begins like a number, looks like one, or holds one, and is no plain number of the column."""

BOUNDS = ("<{}", ">{}", "< {}", "> {}", "{} OL", "{} OVL", "{}OL", "{} OFL", "{} over")
"""Bounds about a number."""

DECORATED = {
    "voltage": ("{} V", "{}V", " {} ", "+{}", "{}\u00a0V"),
    "voltage_thd": ("{} %", "{}%", " {} ", "+{}", "{}\u00a0%"),
    "flicker_pst": (" {} ", "+{}"),
}
"""Plain numbers with what may stand about them."""
