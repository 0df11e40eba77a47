"""Tables, named queries, snapshots and migrations: the only room that knows the database."""
