"""The page: what people in the shop see and touch. Server-drawn, nothing from outside, few lines of script."""
