# Dental growth (Potthoff & Roy 1964) under the residual structures, complete and with Little & Rubin's
# deletions. Reads ../mixed_classics/data/orthodont.csv, writes reference.json.
suppressMessages({library(nlme); library(jsonlite)})
growth <- read.csv("../mixed_classics/data/orthodont.csv")
growth$Subject <- factor(growth$Subject)
growth$Sex <- factor(growth$Sex, levels = c("Female", "Male"))
growth$visit <- match(growth$age, c(8, 10, 12, 14))
# Rows 3, 6, 9, 10, 13, 16, 23, 24, 27 of the wide table, girls first: their age 10 is deleted.
children <- c(sprintf("F%02d", 1:11), sprintf("M%02d", 1:16))
gone <- children[c(3, 6, 9, 10, 13, 16, 23, 24, 27)]
incomplete <- growth[!(growth$age == 10 & growth$Subject %in% gone), ]
means <- list(unstructured = distance ~ Sex * factor(age), linear = distance ~ Sex * age, parallel = distance ~ Sex + age)
tight <- glsControl(tolerance = 1e-13, msTol = 1e-13, maxIter = 500, msMaxIter = 500, opt = "nlminb")
structure_of <- function(kind) switch(kind,
  "unstructured" = list(corSymm(form = ~ visit | Subject), varIdent(form = ~ 1 | visit)),
  "autoregressive" = list(corAR1(form = ~ visit | Subject), NULL),
  "by visit" = list(NULL, varIdent(form = ~ 1 | visit)))
describe <- function(data_name, mean_name, kind, method) {
  rows <- if (data_name == "complete") growth else incomplete
  parts <- structure_of(kind)
  fit <- gls(means[[mean_name]], rows, correlation = parts[[1]], weights = parts[[2]], method = method, control = tight)
  n <- nrow(rows); p <- length(coef(fit))
  scale <- if (method == "ML") sqrt((n - p) / n) else 1 # nlme's ML standard errors carry sqrt(n / (n - p))
  sigma <- fit$sigma * c("1" = 1, "2" = 1, "3" = 1, "4" = 1)
  if (!is.null(parts[[2]])) { v <- coef(fit$modelStruct$varStruct, unconstrained = FALSE, allCoef = TRUE); sigma <- fit$sigma * v[order(names(v))] }
  correlation <- diag(4)
  if (kind == "unstructured") {
    r <- coef(fit$modelStruct$corStruct, unconstrained = FALSE)
    correlation[lower.tri(correlation)] <- r
    correlation <- correlation + t(correlation) - diag(4)
  }
  if (kind == "autoregressive") correlation <- coef(fit$modelStruct$corStruct, unconstrained = FALSE)^abs(outer(1:4, 1:4, "-"))
  list(data = data_name, mean = mean_name, kind = kind, method = method, minus_two = -2 * as.numeric(logLik(fit)),
       X = unname(model.matrix(means[[mean_name]], rows)), y = rows$distance, child = as.character(rows$Subject), visit = rows$visit,
       log_determinant = as.numeric(determinant(crossprod(model.matrix(means[[mean_name]], rows)))$modulus),
       beta = unname(coef(fit)), standard_errors = unname(sqrt(diag(vcov(fit)))) * scale,
       covariance = outer(unname(sigma), unname(sigma)) * correlation)
}
fits <- list()
for (d in c("complete", "incomplete")) for (m in names(means)) for (k in c("unstructured", "autoregressive", "by visit"))
  for (how in c("ML", "REML")) fits[[length(fits) + 1]] <- describe(d, m, k, how)
write(toJSON(fits, digits = NA, auto_unbox = TRUE, matrix = "rowmajor"), "reference.json")
# The same children as if seen on other days: the correlation falls with the distance in days.
seen_on <- list(even = c(0, 42, 84, 126), uneven = c(0, 28, 91, 126))
by_day <- function(data_name, days_name, method) {
  rows <- if (data_name == "complete") growth else incomplete
  rows$day <- seen_on[[days_name]][rows$visit]
  fit <- gls(means$linear, rows, correlation = corCAR1(0.98, form = ~ day | Subject), method = method, control = tight)
  n <- nrow(rows); p <- length(coef(fit))
  scale <- if (method == "ML") sqrt((n - p) / n) else 1
  list(data = data_name, days = days_name, method = method, minus_two = -2 * as.numeric(logLik(fit)),
       X = unname(model.matrix(means$linear, rows)), y = rows$distance, child = as.character(rows$Subject), day = rows$day,
       beta = unname(coef(fit)), standard_errors = unname(sqrt(diag(vcov(fit)))) * scale,
       variance = fit$sigma^2, correlation_a_day = unname(coef(fit$modelStruct$corStruct, unconstrained = FALSE)))
}
fits <- list()
for (d in c("complete", "incomplete")) for (on in names(seen_on)) for (how in c("ML", "REML"))
  fits[[length(fits) + 1]] <- by_day(d, on, how)
write(toJSON(fits, digits = NA, auto_unbox = TRUE, matrix = "rowmajor"), "reference_days.json")
