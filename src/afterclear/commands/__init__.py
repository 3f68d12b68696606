"""Everything a person or a timer can ask for, a function each; cli and schedule call only these."""
