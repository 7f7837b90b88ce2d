"""The use cases, where log, pipeline, review, statistics and reports meet. Command line and desktop call these.

Import what you need from the modules here: most of them load the log, which a plain ``--help`` must not wait for.
"""
