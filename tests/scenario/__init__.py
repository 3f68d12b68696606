"""Makes ``sample_data/``: an invented fleet, simulated, so that what is true is known.

``python -m tests.scenario.make`` writes every file.  The same call gives the same bytes: no
clock, no machine-dependent randomness (``chance.py``).  What is planted stands in the
``stories_*.py`` files, one function a story; everything else is ordinary fleet life.
"""
