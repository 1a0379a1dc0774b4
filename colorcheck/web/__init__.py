"""The local page: photograph, upload, answer. Nothing outside `cli/serve.py` imports this folder.

::

    app.py      the pages: what is asked, what is shown            access.py   who may ask: code, tokens, headers
    forms.py    what a form holds → checked values                 uploads.py  files from the network → a job's folder
    bench.py    jobs and the workers that do them, in order        worker.py   one worker: a process of its own
    tasks.py    one job: the same flows as the command line        shown.py    units of the reader's choice
    store.py    where results and settings lie

The page decides nothing: every number and sentence comes from the flows and from `words`.
"""
