"""A vendor's proof: distortion measured at the terminals of a drive."""

from reference_cases.invented import WEEK, scatter, table

columns = {f"voltage.{phase}n [V]": [229.0 + scatter(i, 1 + n) for i in range(WEEK)] for n, phase in enumerate("abc")}
columns |= {f"voltage_thd.{p}n [%]": [7.2 + 0.3 * scatter(i, 5 + n) for i in range(WEEK)] for n, p in enumerate("abc")}
columns |= {f"current.{p} [A]": [61.0 + 4.0 * scatter(i, 9 + n) for i in range(WEEK)] for n, p in enumerate("abc")}
columns |= {f"current_thd.{p} [%]": [38.0 + scatter(i, 12 + n) for i in range(WEEK)] for n, p in enumerate("abc")}
FILES = {"week.csv": table(columns)}
