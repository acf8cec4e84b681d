"""Can this be? Rules over the facts of a build, a session, a pass, a reading, a failure and a log.

`rules` says what a rule, a slip and a subject are; each subject has a module with its table; `check` evaluates a table
on columns, one record or 20,000, and says which slips would explain a breach; `consequences` says what follows.
"""
