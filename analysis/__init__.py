"""From samples to findings, events and diagnosis; pure functions only."""
