"""The service that coach, client and physio use in a browser: accounts, clips, queue, review, privacy.

It imports `analysis`, never the reverse. Plain functions do the work (`accounts`, `programmes`,
`sessions`, `uploads`, `review`, `privacy`, ...); each takes a database session first, then who acts.
`api` holds thin typed routes over them, `app` wires everything, `worker` measures clips.
"""
