"""The equipment rules: dated rule sets, and the screens against them."""
