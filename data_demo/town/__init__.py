"""The invented town that rehit is shown and measured on."""
