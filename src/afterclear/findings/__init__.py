"""Histories through the estimators -> verdicts and findings, as tables of the store."""
