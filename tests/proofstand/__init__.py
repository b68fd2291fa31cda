"""Tests of the job: procedure, session, commands."""
