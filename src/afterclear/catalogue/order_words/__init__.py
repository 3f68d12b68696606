"""The words of work orders in each language: vocabulary, grammar and the names they make."""
