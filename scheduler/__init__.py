"""The pure engine: knowledge of machines, upkeep, work and routes. No I/O, no clock, no database."""
