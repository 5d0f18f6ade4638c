# Reference fits for test_classics.py. Reads data/*.csv, writes reference.json. Takes about a minute.
#
# lme4 stops short of the optimum by some digits, and can miss a variance of exactly zero. Every fit is
# therefore polished: a tight derivative-free search, then Newton steps on the profiled deviance by
# numerical derivatives, with the factors at zero held there; zeros are tried where a factor is small.
suppressMessages({library(lme4); library(lmerTest); library(pbkrtest); library(numDeriv); library(jsonlite)})
options(digits = 15)
read <- function(name, factors) {
  frame <- read.csv(file.path("data", paste0(name, ".csv")))
  for (column in factors) frame[[column]] <- factor(frame[[column]], levels = unique(sort(frame[[column]])))
  frame
}
polish <- function(formula, data, REML = TRUE) {
  parts <- lFormula(formula, data, REML = REML, control = lmerControl(check.nobs.vs.nRE = "ignore"))
  deviance_of <- do.call(mkLmerDevfun, parts)
  lower <- environment(deviance_of)$lower
  best <- optimizeLmer(deviance_of, optimizer = "bobyqa", control = list(rhoend = 1e-9, maxfun = 1e6))
  theta <- best$par
  for (place in which(lower == 0 & theta < 1e-2)) {
    trial <- theta
    trial[place] <- 0
    if (deviance_of(trial) <= deviance_of(theta) + 1e-9) theta <- trial
  }
  free <- which(!(lower == 0 & theta == 0))
  of_free <- function(x) { t <- theta; t[free] <- x; deviance_of(t) }
  if (length(free)) for (step in 1:4) {
    x <- theta[free]
    theta[free] <- x - solve(hessian(of_free, x), grad(of_free, x))
  }
  slope <- if (length(free)) max(abs(grad(of_free, theta[free]))) else 0
  value <- deviance_of(theta) # the last call: mkMerMod reads the state that it leaves
  best$par <- theta
  best$fval <- value
  merMod <- mkMerMod(environment(deviance_of), best, parts$reTrms, fr = parts$fr)
  merMod@call <- match.call()
  list(fit = merMod, theta = theta, gradient = slope)
}
describe <- function(name, formula, factors, joint = list()) {
  current_rows <<- read(name, factors)
  polished <- polish(formula, current_rows)
  polished_ml <- polish(formula, current_rows, REML = FALSE)
  fit <- polished$fit
  fit@call <- as.call(list(as.name("lmer"), formula = formula, data = as.name("current_rows")))
  X <- getME(fit, "X")
  p <- ncol(X)
  adjusted <- pbkrtest::vcovAdj(fit)
  kr <- sapply(seq_len(p), function(k) pbkrtest::Lb_ddf(diag(p)[k, ], vcov(fit), adjusted))
  tested <- lmerTest:::as_lmerModLT(fit, update(fit, devFunOnly = TRUE))
  satterthwaite <- sapply(seq_len(p), function(k) lmerTest::contest1D(tested, diag(p)[k, ])[["df"]])
  covariance <- as.data.frame(VarCorr(fit))
  joint_results <- lapply(joint, function(columns) {
    L <- diag(p)[columns, , drop = FALSE]
    small <- pbkrtest::KRmodcomp(fit, L)$stats
    satt <- lmerTest::contestMD(tested, L)
    list(columns = columns - 1,
         kenward_roger = list(F = small$Fstat, df = small$ddf, p = small$p.value),
         satterthwaite = list(F = satt[["F value"]], df = satt[["DenDF"]]))
  })
  groups <- getME(fit, "flist")
  list(
    data = name, formula = paste(deparse(formula), collapse = ""), rows = nrow(X),
    columns = colnames(X), X = unname(X),
    gradient = polished$gradient,
    beta = unname(fixef(fit)), standard_errors = unname(sqrt(diag(as.matrix(vcov(fit))))),
    log_likelihood = -0.5 * unname(REMLcrit(fit)),
    sigma2 = sigma(fit)^2,
    covariance = lapply(VarCorr(fit), function(v) { attributes(v) <- attributes(v)["dim"]; v }),
    adjusted_standard_errors = unname(sqrt(diag(as.matrix(adjusted)))),
    kenward_roger = unname(kr), satterthwaite = unname(satterthwaite), joint = joint_results,
    ml = list(log_likelihood = as.numeric(logLik(polished_ml$fit)), beta = unname(fixef(polished_ml$fit)),
              standard_errors = unname(sqrt(diag(as.matrix(vcov(polished_ml$fit))))),
              sigma2 = sigma(polished_ml$fit)^2,
              covariance = lapply(VarCorr(polished_ml$fit), function(v) { attributes(v) <- attributes(v)["dim"]; v })),
    predictions = lapply(ranef(fit, condVar = FALSE), function(v) unname(as.matrix(v))),
    fitted = unname(fitted(fit))
  )
}
current_rows <- NULL
fits <- list(
  sleep_slope = describe("sleepstudy", Reaction ~ Days + (Days | Subject), "Subject"),
  sleep_uncorrelated = describe("sleepstudy", Reaction ~ Days + (1 | Subject) + (0 + Days | Subject), "Subject"),
  sleep_intercept = describe("sleepstudy", Reaction ~ Days + (1 | Subject), "Subject"),
  orthodont_intercept = describe("orthodont", distance ~ Sex * age + (1 | Subject), c("Subject", "Sex"), list(3:4)),
  orthodont_slope = describe("orthodont", distance ~ Sex * I(age - 11) + (I(age - 11) | Subject), c("Subject", "Sex")),
  rail = describe("rail", travel ~ 1 + (1 | Rail), "Rail"),
  ergostool = describe("ergostool", effort ~ Type + (1 | Subject), c("Type", "Subject"), list(2:4)),
  machines_worker = describe("machines", score ~ Machine + (1 | Worker), c("Worker", "Machine"), list(2:3)),
  machines_nested = describe("machines", score ~ Machine + (1 | Worker) + (1 | Worker:Machine), c("Worker", "Machine"), list(2:3)),
  machines_unbalanced = describe("machines_unbalanced", score ~ Machine + (1 | Worker) + (1 | Worker:Machine), c("Worker", "Machine"), list(2:3)),
  machines_general = describe("machines_unbalanced", score ~ Machine + (0 + Machine | Worker), c("Worker", "Machine"), list(2:3)),
  shoes = describe("shoes", wear ~ material + (1 | boy), c("boy", "material")),
  beets = describe("beets", sugpct ~ block + sow + harvest + (1 | block:harvest), c("block", "sow", "harvest"), list(4:7)),
  penicillin = describe("penicillin", diameter ~ 1 + (1 | plate) + (1 | sample), c("plate", "sample")),
  pastes = describe("pastes", strength ~ 1 + (1 | batch) + (1 | batch:cask), c("batch", "cask")),
  tiny = describe("tiny", y ~ a * b + (1 | f), c("a", "b", "f")),
  crossed = describe("crossed", load ~ arm * factor(visit) + (1 | client) + (1 | trainer), c("client", "trainer"), list(6:8)),
  zero_trainer = describe("zero_trainer", load ~ arm * factor(visit) + (1 | client) + (1 | trainer), c("client", "trainer"), list(6:8)),
  slopes = describe("slopes", load ~ arm * visit + (visit | client) + (1 | trainer), c("client", "trainer"))
)
write(toJSON(fits, digits = NA, auto_unbox = TRUE, matrix = "rowmajor", null = "null"), "reference.json")
for (name in names(fits)) cat(name, fits[[name]]$gradient, "\n")
