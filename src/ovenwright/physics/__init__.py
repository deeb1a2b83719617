"""Arrays in, arrays out; knows no noun and touches nothing outside."""
