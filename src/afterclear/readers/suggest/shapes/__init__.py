"""Shapes of tables that few senders write: what is asked of them, and how a map reads them."""
