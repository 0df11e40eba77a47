"""How the tables came to be what they are, one step a file.

``python -m api.storage.migrations "Add the spare key of a site"`` drafts the next step from the
difference between the tables and the steps so far; read and complete it before it is kept.
"""
