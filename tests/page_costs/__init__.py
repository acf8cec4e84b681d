"""What every page costs on machines of 200, 2,000 and 20,000 sessions, for `python -m tests.benchmarks`.

Each page is asked for in turn with a *bare* page of the same work, by the same framework, middleware and compression,
and its cost is the ratio of their processor times:

- lists and records: a view with a template and one query, by their keys, of the same rows;
- pages over a whole machine: a page of the same bytes of words, without any data.

Each size runs in a process of its own on a season of its own, made once. A page that has no goal in `GOALS` is
measured against a page of its bytes, so that nothing is left out.
"""
