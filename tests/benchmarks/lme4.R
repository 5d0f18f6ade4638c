# Times lme4 on data.csv: median seconds of the fit, and of the fit with Kenward-Roger degrees of freedom of
# every coefficient (pbkrtest). Words: data.csv, formula, "fit" | "kenward-roger" | "binomial", repeats,
# quadrature points (binomial). Called by the benchmarks only.
suppressPackageStartupMessages({library(lme4); library(pbkrtest)})
words <- commandArgs(trailingOnly = TRUE)
data <- read.csv(words[1], stringsAsFactors = TRUE)
formula <- as.formula(words[2])
what <- words[3]
repeats <- as.integer(words[4])
points <- if (length(words) > 4) as.integer(words[5]) else 1L
for (name in c("client", "trainer", "visit", "exercise", "level")) {
  if (name %in% names(data)) data[[name]] <- factor(data[[name]])
}
fit_it <- function() suppressMessages(suppressWarnings(
  if (what == "binomial") glmer(formula, data, binomial, nAGQ = points)
  else lmer(formula, data)
))
processor <- function(expression) sum(system.time(expression, gcFirst = FALSE)[1:2])
clock <- function(call) {  # the clock has a resolution of 1 ms: short calls are timed in bundles
  call()
  once <- processor(call())
  bundle <- max(1L, min(20L, as.integer(0.05 / max(once, 1e-3))))
  median(sapply(seq_len(repeats), function(k)
    processor(for (i in seq_len(bundle)) call()) / bundle))
}
cat("fit", format(clock(fit_it), digits = 10), "\n")
fit <- fit_it()
cat("log_likelihood", format(as.numeric(logLik(fit)), digits = 15), "\n")
estimates <- fixef(fit)
cat("last_coefficient", format(estimates[[length(estimates)]], digits = 15), "\n")
if (what == "kenward-roger") {
  degrees <- function(fit) {
    adjusted <- vcovAdj(fit)
    plain <- vcov(fit)
    sapply(seq_along(fixef(fit)), function(j) Lb_ddf(diag(length(fixef(fit)))[j, ], plain, adjusted))
  }
  whole <- function() degrees(fit_it())
  cat("kenward_roger", format(clock(whole), digits = 10), "\n")
  found <- degrees(fit)
  cat("last_degrees", format(found[[length(found)]], digits = 15), "\n")
}
