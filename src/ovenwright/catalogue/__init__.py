"""An index over sealed runs that can be rebuilt from them at will. The only home of SQL."""
