"""The job itself: procedure, session, sign-off, bench set-up, review, commands."""
