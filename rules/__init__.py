"""One room per numbered rule. A room decides, it does not compute; its docstring is its page."""
