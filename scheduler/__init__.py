"""The pure engine: knowledge of machines, upkeep, work and routes; no I/O, clock or database."""
