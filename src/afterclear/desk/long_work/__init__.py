"""Work that takes long, done in processes of its own beside the pages."""
