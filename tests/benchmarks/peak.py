"""Peak memory of this process: VmHWM is its own, `ru_maxrss` may be inherited from a fat parent."""

from __future__ import annotations


def peak_mib() -> int:
    """Largest resident memory so far, in MiB; 0 where the system does not tell."""
    try:
        with open("/proc/self/status", encoding="ascii") as handle:
            for line in handle:
                if line.startswith("VmHWM"):
                    return round(int(line.split()[1]) / 1024)
    except OSError:
        pass
    return 0
