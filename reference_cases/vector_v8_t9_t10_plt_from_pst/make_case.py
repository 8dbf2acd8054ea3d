"""V8, T9 and T10: Plt of two hours as the cubic mean of twelve ten-minute Pst.

The same twelve all week, begun at another of them in every block of two hours: one order for all would be a copied day.
"""

from reference_cases.invented import table

V8 = [0.5] * 11 + [1.8]
T9 = [0.6, 0.7, 0.8, 0.9, 1.0, 1.1, 0.5, 0.5, 0.6, 0.7, 0.8, 0.9]
T10 = [2.0] + [0.0] * 11


def week(twelve: list[float]) -> str:
    starts = [(block + block // 12) % 12 for block in range(84)]
    return table({"flicker_pst.an": [value for at in starts for value in twelve[at:] + twelve[:at]]}, decimals=1)


FILES = {"v8.csv": week(V8), "t9.csv": week(T9), "t10.csv": week(T10)}
