"""Business verbs: one module per subject, one verb one transaction.

Each verb loads what it needs, lets a pure function of ``scheduler`` decide, and stores the outcome
together with the calendars, the events and the audit entries that belong to it.
"""
