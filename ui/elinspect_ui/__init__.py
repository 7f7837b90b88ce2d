"""The reviewer's window. Presenters hold no Qt; panes and viewer hold no rules."""
