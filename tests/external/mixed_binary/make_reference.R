# Reference fits for test_binary.py. Reads data/*.csv, writes reference.json. Takes about a minute.
#
# lme4's default stopping rules leave the fifth digit open. Every fit is therefore polished: tight inner
# iterations (tolPwrss), bobyqa, then Newton steps by numerical derivatives on lme4's own deviance. A standard
# deviation at zero is held there. Standard errors are from the joint Hessian of deviations and coefficients.
# Adaptive quadrature in lme4 leaves out the likelihood of the saturated model; it is added back.
suppressMessages({library(lme4); library(numDeriv); library(jsonlite); library(glmmTMB); library(brglm2)})
options(digits = 15)
herds <- read.csv("data/herds.csv"); herds$period <- factor(herds$period)
bacteria <- read.csv("data/bacteria.csv")
bacteria$trt <- factor(bacteria$trt, levels = c("placebo", "drug", "drug+")); bacteria$late <- bacteria$week > 2
status <- read.csv("data/status.csv"); status$line <- status$month - 3.5
flat <- read.csv("data/flat.csv")

newton <- function(f, x, free, steps = 5) {
  of_free <- function(z) { y <- x; y[free] <- z; f(y) }
  for (step in seq_len(steps)) x[free] <- x[free] - solve(hessian(of_free, x[free]), grad(of_free, x[free]))
  list(par = x, gradient = max(abs(grad(of_free, x[free]))), hessian = hessian(of_free, x[free]))
}
polish <- function(formula, data, link = "logit", points = 1) {
  control <- glmerControl(optimizer = "bobyqa", tolPwrss = 1e-13, optCtrl = list(maxfun = 1e5))
  first <- suppressWarnings(suppressMessages(
    glmer(formula, data, family = binomial(link), nAGQ = points, control = control)))
  f <- glmer(formula, data, family = binomial(link), nAGQ = points, control = control, devFunOnly = TRUE)
  start <- c(getME(first, "theta"), fixef(first)); count <- length(getME(first, "theta"))
  lower <- c(getME(first, "lower"), rep(-Inf, length(fixef(first))))
  x <- minqa::bobyqa(start, f, lower = lower, control = list(rhobeg = 0.02, rhoend = 1e-8, maxfun = 1e5))$par
  zero <- which(lower == 0 & x < 1e-2)
  for (place in zero) { trial <- x; trial[place] <- 0; if (f(trial) <= f(x) + 1e-8) x <- trial }
  free <- which(!(lower == 0 & x == 0))
  best <- newton(f, x, free)
  errors <- rep(0, length(x)); errors[free] <- sqrt(diag(solve(best$hessian / 2)))
  answer <- model.response(model.frame(first))
  y <- if (is.matrix(answer)) answer[, 1] else answer; n <- if (is.matrix(answer)) rowSums(answer) else 1
  saturated <- if (points > 1) sum(dbinom(y, n, y / n, log = TRUE)) else 0
  list(log_likelihood = -f(best$par) / 2 + saturated, theta = best$par[seq_len(count)],
       fixed = unname(best$par[-seq_len(count)]), standard_errors = unname(errors[-seq_len(count)]),
       conditional_errors = unname(sqrt(diag(vcov(first, use.hessian = FALSE)))), gradient = best$gradient)
}
tmb <- function(formula, data, link) {
  fit <- glmmTMB(formula, data, family = binomial(link)); o <- fit$obj; x <- fit$fit$par
  for (step in 1:8) x <- x - solve(jacobian(o$gr, x), as.vector(o$gr(x)))
  p <- which(names(x) == "beta"); errors <- sqrt(diag(solve(jacobian(o$gr, x))))
  list(log_likelihood = -as.numeric(o$fn(x)), deviations = unname(exp(x[-p])), fixed = unname(x[p]),
       standard_errors = unname(errors[p]), gradient = max(abs(o$gr(x))))
}
# One scalar factor: the likelihood by brute-force integration at given parameters.
integrated <- function(y, n, X, groups, beta, deviation, inverse) {
  eta <- drop(X %*% beta)
  sum(sapply(split(seq_along(y), groups), function(rows) {
    value <- function(u) sapply(u, function(v)
      exp(sum(dbinom(y[rows], n[rows], inverse(eta[rows] + deviation * v), log = TRUE))) * dnorm(v))
    log(integrate(value, -9, 9, rel.tol = 1e-12, subdivisions = 2000)$value)
  }))
}
h <- cbind(incidence, size - incidence) ~ period + (1 | herd)
b <- y ~ trt + late + (1 | id)
out <- list(
  herds_1 = polish(h, herds), herds_9 = polish(h, herds, points = 9), herds_25 = polish(h, herds, points = 25),
  herds_cloglog_25 = polish(h, herds, "cloglog", 25), herds_cloglog_expected_1 = polish(h, herds, "cloglog"),
  herds_cloglog_1 = tmb(h, herds, "cloglog"),
  bacteria_1 = polish(b, bacteria), bacteria_25 = polish(b, bacteria, points = 25),
  bacteria_cloglog_1 = tmb(b, bacteria, "cloglog"), bacteria_cloglog_25 = polish(b, bacteria, "cloglog", 25),
  status_1 = polish(active ~ arm + month + (1 | client) + (1 | trainer), status),
  status_slope_1 = polish(active ~ arm + month + (1 + line | client) + (1 | trainer), status),
  status_cloglog_1 = tmb(active ~ arm + month + (1 | client) + (1 | trainer), status, "cloglog"),
  status_client_15 = polish(active ~ arm + month + (1 | client), status, points = 15),
  flat_1 = polish(retained ~ arm + age + (1 | trainer), flat),
  flat_11 = polish(retained ~ arm + age + (1 | trainer), flat, points = 11))
X <- model.matrix(~period, herds)
for (name in c("herds_25", "herds_cloglog_25")) {
  link <- make.link(if (name == "herds_25") "logit" else "cloglog")
  out[[name]]$integrated <- integrated(herds$incidence, herds$size, X, herds$herd, out[[name]]$fixed,
                                       out[[name]]$theta, link$linkinv)
}
out$bacteria_25$integrated <- integrated(bacteria$y, rep(1, nrow(bacteria)), model.matrix(~ trt + late, bacteria),
  bacteria$id, out$bacteria_25$fixed, out$bacteria_25$theta, plogis)
# Nobody left in one arm: Firth's logistic regression (mean bias reduction), no random effect.
kept <- data.frame(arm = rep(0:1, each = 12), retained = c(1,1,1,0,1,0,1,1,0,1,1,1, rep(1, 12)))
firth <- glm(retained ~ arm, binomial, kept, method = "brglmFit", type = "AS_mean",
             control = brglmControl(epsilon = 1e-12))
# Complementary log-log: the two arms by one-dimensional maximisation of the likelihood with Jeffreys' penalty.
# (brglm2's type = "MPL_Jeffreys" gives 0.3034 and 0.9606 here, which is not the maximum of this function.)
penalised <- function(e, y) { h <- exp(e); y * log(-expm1(-h)) - (12 - y) * h + log(12 * h^2 / expm1(h)) / 2 }
arms <- sapply(c(9, 12), function(y) optimize(penalised, c(-3, 4), y = y, maximum = TRUE, tol = 1e-12)$maximum)
out$firth <- list(fixed = unname(coef(firth)), standard_errors = unname(sqrt(diag(vcov(firth)))))
out$jeffreys_cloglog <- list(fixed = c(arms[1], arms[2] - arms[1]))
out$versions <- list(R = as.character(getRversion()), lme4 = as.character(packageVersion("lme4")),
  glmmTMB = as.character(packageVersion("glmmTMB")), brglm2 = as.character(packageVersion("brglm2")))
write(toJSON(out, digits = NA, auto_unbox = TRUE, pretty = TRUE), "reference.json")
