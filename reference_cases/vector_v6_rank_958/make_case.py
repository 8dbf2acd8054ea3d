"""V6: the readings 0.01, 0.02 ... 10.08, in an order that is not theirs."""

from reference_cases.invented import WEEK, table

# 275 shares no factor with 1008: every value once, up and down all week.
FILES = {"week.csv": table({"voltage_thd.an [%]": [(index * 275 % WEEK + 1) / 100 for index in range(WEEK)]})}
