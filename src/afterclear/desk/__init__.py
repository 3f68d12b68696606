"""The desk: the daily work in a browser on this machine, by the functions the commands call.

A request passes ``safeguards.py`` (host, origin, session, form token, size), then ``routes.py``
names the page function.  Pages call ``commands`` and render a template; they decide nothing.
Long work runs one piece at a time on the ``bench.py``.

Decisions:

- One person, this machine: it listens on 127.0.0.1 only.  The address that is printed holds a key
  that opens one session.  Other users of the machine have no key.
- Forms are plain HTML and need no script; there is none.
- What is uploaded waits in a folder of its own beside the store, never in the inbox, so that a kill
  leaves no half file where a load would find it.
"""
