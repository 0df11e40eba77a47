"""The HTTP interface: wire models and routes, by subject. ``create_app`` puts it together."""
