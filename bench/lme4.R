# Times two fits in R on the rows that `make bench-fits` writes, and hands back what they found, so that the benchmark can see that both
# sides answer the same question. Needs the R package lme4; rimeyard itself does not.
#
#   Rscript bench/lme4.R ROWS.csv RESULTS.csv     ROWS: unit, years, temperature_c, log_sag, v

suppressPackageStartupMessages(library(lme4))
args <- commandArgs(trailingOnly = TRUE)
if (length(args) != 2) stop("which files? Rscript bench/lme4.R ROWS.csv RESULTS.csv")
d <- read.csv(args[1], colClasses = c(unit = "character"))
d$x <- (d$temperature_c - 5) / 10

# A level and a drift for each unit about those of its class.
mixed_s <- system.time(fit <- lmer(log_sag ~ x + I(x^2) + years + (1 + years | unit), d))[["elapsed"]]
b <- coef(fit)$unit

# Cranking volts against temperature, unit by unit.
by_unit <- split(d, d$unit)
lines_s <- system.time(lines <- vapply(by_unit, function(u) coef(nls(v ~ a + b * temperature_c, u, start = list(a = 10, b = 0))), c(a = 0, b = 0)))[["elapsed"]]

write.csv(data.frame(unit = rownames(b), now = b[["(Intercept)"]] + max(d$years) * b[["years"]], at_zero_v = lines["a", rownames(b)],
                     mixed_s = mixed_s, lines_s = lines_s), args[2], row.names = FALSE, quote = FALSE)
