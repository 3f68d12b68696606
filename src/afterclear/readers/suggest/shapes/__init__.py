"""Shapes of tables other than a row for each thing of one kind, and how a map reads them."""
