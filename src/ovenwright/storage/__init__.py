"""Files in and out: readings, plans, sealed runs, logbook. The only home of Arrow."""
