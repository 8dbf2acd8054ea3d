"""Many sites from one table: a registry, judged site by site into a store of findings, and what that store answers."""
