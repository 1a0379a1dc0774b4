"""The local page: photograph, upload, answer. Nothing outside `cli/serve.py` imports this folder.

::

    app.py         the pages: what is asked, what is shown      access.py    who may ask: code, tokens, headers
    forms.py       what a form holds → a flow's request         uploads.py   files from the network → a job's folder
    jobs.py        jobs in their order, and their workers       worker.py    one worker: a process of its own
    tasks.py       one job: the flows of the command line       joblog.py    jobs and results in the press log
    datafolder.py  where results and settings lie               readerunits.py  units of the reader's choice

The page decides nothing: every number and sentence comes from the flows and from `words`.
"""
