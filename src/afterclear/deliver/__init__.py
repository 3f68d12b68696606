"""Delivery of pages and messages: paper, mail, webhook. Knows no store and no digest."""
