"""Published growth rates at some temperatures, for both laws of growth: the detector's and the simulator's."""

# Penicillium expansum, GroPIN model 171 (Rosso et al. 1993: least -4.4, best 23.9, greatest 32.5 degC, best rate 2.4)
EXPANSUM_RATES = (
    (0, 0.10490), (5, 0.45473), (10, 0.99497), (15, 1.63239), (20, 2.20157), (23.9, 2.4), (28, 2.02464), (32, 0.36608),
)  # fmt: skip
