"""380 A and 6 % current THD by day, 20 A and 45 % by night: a week of 3-second values, made when needed."""

from datetime import timedelta

from reference_cases.invented import MONDAY, scatter

A_DAY = 28_800
STAMPS = [(MONDAY + timedelta(seconds=3 * second)).strftime("T%H:%M:%SZ") for second in range(A_DAY)]


def week() -> str:
    lines = ["time,current.a [A],current_thd.a [%],current.b [A],current_thd.b [%],current.c [A],current_thd.c [%]"]
    for day in range(7):
        date = (MONDAY + timedelta(days=day)).strftime("%Y-%m-%d")
        for slot, stamp in enumerate(STAMPS):
            night = slot < 6 * 1200 or slot >= 20 * 1200
            # The rms of a fundamental of 380 A (20 A) with that distortion.
            rms, thd, spread = (21.932, 45.0, 0.4) if night else (380.683, 6.0, 8.0)
            change = spread * scatter(slot // 20 + day * A_DAY)
            cells = ",".join(
                f"{rms + change + spread * 0.1 * scatter(slot, 3 + phase):.2f},{thd}" for phase in range(3)
            )
            lines.append(f"{date}{stamp},{cells}")
    return "\n".join(lines) + "\n"


FILES = {"week_3s.csv": week()}
