"""What can be said of a room: set-up, readings, log events, measurements, outcomes; and what a log of events says."""
