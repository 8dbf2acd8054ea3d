"""Columns V1, V2, V3 of a 480 V service that hold line-to-line voltages; and a high-leg delta."""

from reference_cases.invented import steady, table

plain = {f"V{number + 1}": steady(480.6, swing=2.4, noise=1.2, seed=number) for number in range(3)}
high_leg = {
    "voltage.an [V]": steady(120.4, swing=0.7, noise=0.4, seed=1),
    "voltage.bn [V]": steady(208.4, swing=1.0, noise=0.6, seed=2),
    "voltage.cn [V]": steady(120.2, swing=0.7, noise=0.4, seed=3),
    "voltage.ab [V]": steady(240.5, swing=1.3, noise=0.6, seed=4),
    "voltage.bc [V]": steady(240.4, swing=1.3, noise=0.6, seed=5),
    "voltage.ca [V]": steady(240.6, swing=1.3, noise=0.4, seed=6),
}
FILES = {"v1_v2_v3.csv": table(plain), "high_leg.csv": table(high_leg)}
