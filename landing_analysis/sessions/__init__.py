"""A visit's plan and how the patient was, as a clinician enters them; dose; published rules. Pure.

One plain form serves the command line, ``session.toml`` and the record (`session.session_of`);
what it may hold is checked there and nowhere else. Nothing here advises anybody.
"""
