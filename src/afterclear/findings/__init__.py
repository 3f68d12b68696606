"""Histories, through the estimators, to verdicts and findings, as tables of the store."""
