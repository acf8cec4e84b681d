"""Did the change help, or was it the weather? From columns of sessions to an answer with its error.

`passes` makes one value of a session's passes, `columns` says what a measure's values come with, `days` which
of them count and what stands beside them, `model` what they say of two revisions, `separation` why they
may say nothing, `looks` when an answer is decided, `answers` which one it is, `plan` what riding could show,
and `order` which build is ridden first.
"""
