# What learners without physics make of the same records: boosted trees and a random forest on the features that
# `go run ./internal/proving/prove -features FOLDER` writes, taught (a) by the fleet's own past seasons, (b) by all seasons of six
# other fleets. Both foretell each unit's last season. Needs the R packages gbm and ranger; rimeyard itself needs neither.
#
#   Rscript bench/baselines.R FOLDER [PREDICTIONS.csv]

suppressPackageStartupMessages({
  library(gbm)
  library(ranger)
})

options(width = 140)
args <- commandArgs(trailingOnly = TRUE)
if (length(args) < 1) stop("which folder? Rscript bench/baselines.R FOLDER [PREDICTIONS.csv]")
files <- sort(list.files(args[1], pattern = "\\.csv$", full.names = TRUE))
if (length(files) == 0) stop("no tables in ", args[1])
rows <- do.call(rbind, lapply(files, read.csv, na.strings = "", colClasses = c(unit = "character")))
words <- c("f_class", "f_fuel", "f_parked", "f_chemistry")
for (w in words) {
  v <- rows[[w]]
  v[is.na(v)] <- "unknown"
  rows[[w]] <- factor(v)
}
features <- grep("^f_", names(rows), value = TRUE)

# useful leaves out what is the same for all units taught by.
useful <- function(d) features[vapply(features, function(f) length(unique(na.omit(d[[f]]))) > 1, NA)]

trees <- function(d, cols, n, share = 1) {
  gbm(reformulate(cols, "failed"), data = d, distribution = "bernoulli", n.trees = n, interaction.depth = 4, shrinkage = 0.05,
      n.minobsinnode = 8, bag.fraction = 0.6, train.fraction = share, keep.data = FALSE)
}

# boosted chooses the number of trees by thirds that are held back, or by a third of the fleets where there are several; then all
# rows teach.
boosted <- function(d, new) {
  cols <- useful(d)
  several <- length(unique(d$fleet)) > 1
  group <- if (several) as.integer(factor(d$fleet)) else sample(nrow(d))
  most <- 400
  loss <- rowMeans(vapply(if (several) 0 else 0:2, function(k) {
    held <- group %% 3 == k
    trees(rbind(d[!held, ], d[held, ]), cols, most, mean(!held))$valid.error
  }, numeric(most)))
  best <- which.min(loss)
  predict(trees(d, cols, best), new, n.trees = best, type = "response")
}

# A forest takes no gaps: they are filled with the median, and marked.
filled <- function(d, like) {
  out <- d
  for (f in setdiff(names(like), words)) {
    gap <- is.na(d[[f]])
    if (anyNA(like[[f]])) out[[paste0(f, "_gap")]] <- as.numeric(gap)
    out[[f]][gap] <- median(like[[f]], na.rm = TRUE)
  }
  out
}

forest <- function(d, new) {
  cols <- useful(d)
  x <- filled(d[cols], d[cols])
  fit <- ranger(x = x, y = factor(d$failed), probability = TRUE, num.trees = 500, min.node.size = 5, num.threads = 2, seed = 1, verbose = FALSE)
  predict(fit, filled(new[cols], d[cols]), num.threads = 2, verbose = FALSE)$predictions[, "1"]
}

auc <- function(p, y) (sum(rank(p)[y == 1]) - sum(y) * (sum(y) + 1) / 2) / (sum(y) * sum(1 - y))

top <- function(p, y) { # units that tie for the last places share them
  k <- sum(y)
  bar <- sort(p, decreasing = TRUE)[k]
  (sum(y[p > bar]) + mean(y[p == bar]) * (k - sum(p > bar))) / k
}

ece <- function(p, y) { # ten bins of equal count; equal values stay together
  o <- order(p)
  bin <- floor((seq_along(p) - 1) * 10 / length(p))
  first <- match(p[o], p[o])
  sum(abs(tapply(p[o] - y[o], bin[first], sum))) / length(p)
}

others <- function(fleet) { # six, of every physics in turn, with the same kind of records; its own physics with other seeds too
  about <- unique(rows[c("fleet", "physics", "seed", "dirt")])
  own <- about[about$fleet == fleet, ]
  o <- about[about$dirt == own$dirt & !(about$physics == own$physics & about$seed == own$seed), ]
  o <- o[order(o$seed, o$physics), ]
  nth <- ave(o$seed, o$physics, FUN = seq_along)
  head(o$fleet[order(nth, o$physics)], 6)
}

scored <- function(p, y) data.frame(auc = auc(p, y), top_k = top(p, y), ece = ece(p, y), expected_over_observed = sum(p) / sum(y), brier = mean((p - y)^2))

results <- predictions <- NULL
for (fleet in unique(rows$fleet)) {
  last <- rows[rows$fleet == fleet & rows$last == 1, ]
  past <- rows[rows$fleet == fleet & rows$last == 0, ]
  six <- others(fleet)
  p <- list(forecast = last$said)
  if (!anyNA(last$chance)) p$ceiling <- last$chance
  set.seed(1)
  if (length(unique(past$failed)) == 2) {
    p$`boosted trees, own past` <- boosted(past, last)
    p$`forest, own past` <- forest(past, last)
  }
  if (length(six) > 0) {
    d <- rows[rows$fleet %in% six, ]
    label <- sprintf("%d other fleets", length(six))
    p[[paste("boosted trees,", label)]] <- boosted(d, last)
    p[[paste("forest,", label)]] <- forest(d, last)
  }
  for (by in names(p)) {
    results <- rbind(results, cbind(fleet = fleet, dirt = last$dirt[1], by = by, scored(p[[by]], last$failed)))
    predictions <- rbind(predictions, data.frame(fleet = fleet, unit = last$unit, by = by, p = p[[by]], failed = last$failed))
  }
  message(paste(capture.output(print(format(results[results$fleet == fleet, ], digits = 3), row.names = FALSE)), collapse = "\n"))
}

show <- function(d) print(format(d, digits = 3, nsmall = 3), row.names = FALSE)
show(results)
figures <- c("auc", "top_k", "ece", "expected_over_observed", "brier")
cat("\nMean over fleets (dirt: 0 clean records, 1 spoilt):\n")
mean_of <- aggregate(results[figures], results[c("by", "dirt")], mean)
show(mean_of[order(mean_of$dirt, -mean_of$auc), ])
if (length(args) > 1) write.csv(predictions, args[2], row.names = FALSE, quote = FALSE)
