"""The desk: the daily work in a browser, by the functions the commands call.

A request passes ``safeguards.py`` (host, origin, session, form token, size), then ``routes.py``
names the page function.  Pages call ``commands`` and render a template; they decide nothing.
They come one after another, and long work is done by the program's commands in a process of their
own (``bench.py``): locks and what a signal undoes belong to a process.

Decisions:

- By default one person, this machine: it listens on 127.0.0.1 only.  The address that is printed
  holds a key that opens one session.  Other users of the machine have no key.
- Others are let in by name and password, over TLS, with a role (``users.py``); ``routes.py`` names
  the role each page needs, and a page without one cannot be written.
- Forms are plain HTML and need no script; ``templates/desk.js`` shows long work as it goes and what
  a choice makes of rows at once.
- What is uploaded waits in a folder of its own beside the store, never in the inbox, so that a kill
  leaves no half file where a load would find it.
"""
