"""The desks; the only room that knows Qt."""
