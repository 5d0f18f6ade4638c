# Rscript tests/external/outcomes_within/make_reference.R   (reads committed data only)
suppressMessages({library(lme4); library(lmerTest); library(pbkrtest)})
here <- "tests/external/outcomes_within"
read <- function(name) read.csv(file.path(here, "data", paste0(name, ".csv")))
strict <- lmerControl(optimizer = "bobyqa", optCtrl = list(maxfun = 1e6, rhoend = 1e-12), check.conv.singular = "ignore")
number <- function(x) formatC(x, digits = 12, format = "g")
line <- function(name, fit, weights) {
  answer <- contest1D(fit, weights, ddf = "Kenward-Roger", confint = FALSE)
  variances <- as.data.frame(VarCorr(fit))$vcov
  sprintf('  "%s": {"value": %s, "standard_error": %s, "degrees_of_freedom": %s, "variances": [%s]}', name,
          number(answer$Estimate), number(answer[["Std. Error"]]), number(answer$df),
          paste(number(variances), collapse = ", "))
}
weights_of <- function(fit, names) {
  w <- rep(0, length(fixef(fit))); w[match(names, names(fixef(fit)))] <- 1 / length(names); w
}
a <- read("crossover")
a$e0 <- a$arm * (a$exercise == 0); a$e1 <- a$arm * (a$exercise == 1)
a$own <- interaction(a$client, a$exercise)
a$turn <- interaction(a$client, a$period)
crossover <- lmer(score ~ 0 + interaction(exercise, period) + e0 + e1 + (1 | client) + (1 | own) + (1 | turn), a, control = strict)
b <- read("limbs")
b$on <- as.numeric(b$side == b$dominant)
limbs <- lmer(after ~ arm + before + on + factor(dominant) + (1 | client), b, control = strict)
d <- read("stepped")
d$cell <- interaction(d$trainer, d$period)
stepped <- lmer(score ~ 0 + factor(period) + arm + (1 | client) + (1 | trainer) + (1 | cell), d, control = strict)
text <- c("{", paste(c(
  line("crossover", crossover, weights_of(crossover, c("e0", "e1"))),
  line("limbs", limbs, weights_of(limbs, "arm")),
  line("stepped", stepped, weights_of(stepped, "arm"))), collapse = ",\n"), "}")
writeLines(text, file.path(here, "reference.json"))
