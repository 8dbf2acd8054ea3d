"""A plant with clean current at a dirty 12.47 kV supply, distorted at the weekend too, when the plant stands still."""

from reference_cases.invented import WEEK, scatter, table


def distortion(index: int, seed: int) -> float:
    weekend = index // 144 >= 5
    return (5.45 if weekend else 5.2) + 0.3 * scatter(index, seed) + 0.15 * scatter(index // 36, seed)


def demand(index: int, seed: int) -> float:
    weekend = index // 144 >= 5
    return (0.2 if weekend else 1.9) + 0.15 * scatter(index, seed)


lines = {f"voltage.{pair} [kV]": 12.52 for pair in ("ab", "bc", "ca")}
columns = {
    name: [level + 0.03 * scatter(index, 40 + seed) for index in range(WEEK)]
    for seed, (name, level) in enumerate(lines.items())
}
columns |= {
    f"voltage_thd.{pair} [%]": [distortion(index, seed) for index in range(WEEK)]
    for seed, pair in enumerate(("ab", "bc", "ca"))
}
columns |= {
    f"current_tdd.{phase} [%]": [demand(index, 20 + seed) for index in range(WEEK)] for seed, phase in enumerate("abc")
}
FILES = {"week.csv": table(columns, decimals={name: 4 for name in lines})}
