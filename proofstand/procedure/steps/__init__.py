"""What each kind of step asks of the hands, and how the trace shows it was done."""
