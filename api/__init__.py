"""Everything that touches the world: HTTP, storage, feeds, webhooks, clock jobs, pages, command line."""
