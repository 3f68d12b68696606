"""What a person or a timer can ask for, one function each; cli and schedule call only these."""
