"""The test as ordered steps: what to ask of the hands, and when a step is done."""
