"""Work in processes of its own: how they begin, what they report, how they are watched."""
