"""The invented demo company: its CSV files and the generator that makes them."""
