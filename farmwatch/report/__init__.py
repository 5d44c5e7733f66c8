"""What people read: contents first, then their faces as a page, Markdown, JSON, terminal text and notebook displays."""
