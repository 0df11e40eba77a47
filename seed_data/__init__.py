"""The catalogue and the invented demo company, as data files."""
