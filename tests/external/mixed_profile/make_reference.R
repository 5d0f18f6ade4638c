# Profile-likelihood intervals for test_profile.py: the deviance of lme4 (maximum likelihood, in standard
# deviations and correlations), minimised over all other parameters, and its 95 % ends solved for.
# lme4's own confint() interpolates the profile by splines; it is written beside, to about four digits.
# Reads ../mixed_classics/data/*.csv, writes reference.json.
suppressMessages({library(lme4); library(jsonlite)})
read <- function(name) read.csv(file.path("../mixed_classics/data", paste0(name, ".csv")))
sleep <- read("sleepstudy"); rail <- read("rail"); zero <- read("zero_trainer"); ortho <- read("orthodont"); tiny <- read("tiny")
for (column in c("a", "b", "f")) tiny[[column]] <- factor(tiny[[column]])
for (column in c("client", "trainer", "visit")) zero[[column]] <- factor(zero[[column]])
tight <- lmerControl(optimizer = "nloptwrap", calc.derivs = FALSE,
  optCtrl = list(xtol_abs = 1e-12, ftol_abs = 1e-13, maxeval = 10000),
  check.conv.singular = "ignore")
fit_ml <- function(formula, data) lmer(formula, data, REML = FALSE, control = tight)
target <- qchisq(0.95, 1)
least <- function(f, start, lower, upper) {
  f <- { g <- f; function(p) { v <- tryCatch(g(p), error = function(e) 1e10); if (is.finite(v)) v else 1e10 } } # singular trial points
  one <- nlminb(start, f, lower = lower, upper = upper, control = list(rel.tol = 1e-14, x.tol = 1e-12, eval.max = 5000, iter.max = 2000))
  two <- nlminb(one$par, f, lower = lower, upper = upper, control = list(rel.tol = 1e-14, x.tol = 1e-12, eval.max = 5000, iter.max = 2000))
  min(one$objective, two$objective)
}
end <- function(rise, from, to) uniroot(function(v) rise(v) - target, c(from, to), tol = 1e-11)$root
covariance_ends <- function(fit, number, correlation = FALSE) {
  deviance <- lme4:::devfun2(fit, useSc = TRUE, signames = FALSE)
  at <- attr(deviance, "optimum"); best <- attr(deviance, "basedev")
  at <- at[!(names(at) %in% names(fixef(fit)))]
  cors <- grepl("^cor", names(at))
  lower <- ifelse(cors, -1, 0); upper <- ifelse(cors, 1, Inf)
  rise <- function(v) least(function(rest) { p <- at; p[-number] <- rest; p[number] <- v; deviance(p) }, pmax(at[-number], ifelse(cors[-number], -0.9, 0.02)), lower[-number], upper[-number]) - best
  estimate <- at[[number]]
  low <- if (correlation) -0.999 else if (number == length(at)) 0.2 * estimate else 1e-9
  c(if (!correlation && estimate < 1e-6) 0 else if (rise(low) < target) (if (correlation) -1 else 0) else end(rise, low, estimate), estimate,
    if (correlation) end(rise, estimate, 0.999) else end(rise, estimate, 10 * max(estimate, at[[length(at)]])))
}
share_ends <- function(fit) {
  deviance <- lme4:::devfun2(fit, useSc = TRUE, signames = FALSE)
  at <- attr(deviance, "optimum"); best <- attr(deviance, "basedev")
  at <- at[!(names(at) %in% names(fixef(fit)))]
  rise <- function(v) least(function(total) deviance(c(sqrt(v), sqrt(1 - v)) * exp(total)), log(sqrt(sum(at[1:2]^2))), -Inf, Inf) - best
  estimate <- at[[1]]^2 / sum(at[1:2]^2)
  c(end(rise, 1e-9, estimate), estimate, end(rise, estimate, 1 - 1e-9))
}
fixed_ends <- function(formula, data, column, outcome, estimate, width) {
  # the column leaves the formula and enters as an offset
  deviance <- function(v) { data[["held"]] <- v * column; as.numeric(-2 * logLik(fit_ml(formula, data))) }
  best <- deviance(estimate)
  rise <- function(v) deviance(v) - best
  c(end(rise, estimate - width, estimate), estimate, end(rise, estimate, estimate + width))
}
fits <- list(
  sleep = fit_ml(Reaction ~ Days + (Days | Subject), sleep), rail = fit_ml(travel ~ 1 + (1 | Rail), rail),
  girls = fit_ml(distance ~ age + (1 | Subject), subset(ortho, Sex == "Female")),
  zero = fit_ml(load ~ arm * visit + (1 | client) + (1 | trainer), zero),
  tiny = fit_ml(y ~ a + b + (1 | f), tiny))
result <- list(
  sleep = list(intercept = covariance_ends(fits$sleep, 1), correlation = covariance_ends(fits$sleep, 2, TRUE),
    days = covariance_ends(fits$sleep, 3), residual = covariance_ends(fits$sleep, 4),
    fixed_days = fixed_ends(Reaction ~ 1 + offset(held) + (Days | Subject), sleep, sleep$Days, "Reaction", fixef(fits$sleep)[[2]], 8)),
  rail = list(rail = covariance_ends(fits$rail, 1), residual = covariance_ends(fits$rail, 2), share = share_ends(fits$rail)),
  girls = list(child = covariance_ends(fits$girls, 1), residual = covariance_ends(fits$girls, 2), share = share_ends(fits$girls)),
  zero = list(client = covariance_ends(fits$zero, 1), trainer = covariance_ends(fits$zero, 2), residual = covariance_ends(fits$zero, 3)),
  tiny = list(f = covariance_ends(fits$tiny, 1), residual = covariance_ends(fits$tiny, 2)),
  confint = lapply(fits[c("sleep", "rail", "girls")], function(f) unname(confint(f, quiet = TRUE))),
  versions = list(R = as.character(getRversion()), lme4 = as.character(packageVersion("lme4"))))
print(result)
write(toJSON(result, digits = NA, auto_unbox = TRUE, matrix = "rowmajor"), "reference.json")
