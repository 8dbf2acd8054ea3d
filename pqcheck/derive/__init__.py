"""From recorded channels to the quantity a rule asks for: exact, or a bound, or not at all."""
