# Reference values for the strength model, by lme4, pbkrtest and nlme, from data/scores.csv.
# Run inside this folder:  Rscript make_reference.R > reference.json
suppressMessages({library(lme4); library(pbkrtest); library(nlme); library(jsonlite)})

d <- read.csv(file.path("data", "scores.csv"))
d$cell <- factor(paste0("v", d$visit, "e", d$exercise))
d$follow <- as.numeric(d$visit > 0)
for (v in 1:2) for (e in 0:2) d[[paste0("arm_v", v, "e", e)]] <- d$arm * (d$visit == v) * (d$exercise == e)
for (v in 0:2) { d[[paste0("sex_v", v)]] <- d$sex * (d$visit == v); d[[paste0("v", v)]] <- as.numeric(d$visit == v) }
d$t1 <- d$follow * (d$trainer == 1)
d$t2 <- d$follow * (d$trainer == 2)
d$both <- factor(paste(d$client, d$exercise))
arms <- c(outer(1:2, 0:2, function(v, e) paste0("arm_v", v, "e", e)))
fixed <- paste("log_score ~ 0 + cell +", paste(arms, collapse = " + "), "+ sex_v0 + sex_v1 + sex_v2")
tight <- lmerControl(optimizer = "bobyqa", optCtrl = list(rhobeg = 1e-2, rhoend = 1e-12, maxfun = 1e5),
                     check.conv.singular = "ignore", calc.derivs = FALSE)
last <- paste0("arm_v2e", 0:2)

contrast <- function(fit, names, adjusted) {
  L <- setNames(numeric(length(fixef(fit))), names(fixef(fit)))
  L[names] <- 1 / length(names)
  list(value = sum(L * fixef(fit)), standard_error = sqrt(as.numeric(t(L) %*% as.matrix(adjusted) %*% L)),
       degrees_of_freedom = as.numeric(Lb_ddf(L, vcov(fit), adjusted)))
}

describe <- function(formula, random) {
  fit <- lmer(as.formula(paste(formula, "+", random)), data = d, REML = TRUE, control = tight)
  adjusted <- vcovAdj(fit)
  list(primary = contrast(fit, last, adjusted),
       first_visit = contrast(fit, paste0("arm_v1e", 0:2), adjusted),
       one_exercise = contrast(fit, "arm_v2e1", adjusted),
       client_covariance = unclass(VarCorr(fit)$client)[1:3, 1:3],
       client_by_exercise = as.numeric(VarCorr(fit)$both),
       residual = sigma(fit)^2, rows = nrow(d))
}

several <- describe(paste(fixed, "+ t1 + t2"), "(0 + v0 + v1 + v2 | client) + (1 | both)")
random <- describe(fixed, "(0 + v0 + v1 + v2 | client) + (1 | both) + (0 + follow | trainer)")

# One exercise: residuals unstructured over visits, by generalised least squares.
one <- d[d$exercise == 1, ]
one$visit1 <- one$visit + 1
one <- one[order(one$client, one$visit), ]
gls_fit <- gls(log_score ~ 0 + v0 + v1 + v2 + arm_v1e1 + arm_v2e1 + sex_v0 + sex_v1 + sex_v2 + t1 + t2, data = one,
               correlation = corSymm(form = ~ visit1 | client), weights = varIdent(form = ~ 1 | visit1), method = "REML",
               control = glsControl(tolerance = 1e-13, msTol = 1e-13, msMaxIter = 5000, maxIter = 5000))
single <- list(value = coef(gls_fit)[["arm_v2e1"]], model_standard_error = sqrt(vcov(gls_fit)["arm_v2e1", "arm_v2e1"]),
               log_likelihood = as.numeric(logLik(gls_fit)), rows = nrow(one))

cat(toJSON(list(several_exercises = several, trainers_random = random, one_exercise = single,
  software = list(R = R.version.string, lme4 = as.character(packageVersion("lme4")),
                  pbkrtest = as.character(packageVersion("pbkrtest")), nlme = as.character(packageVersion("nlme")))),
  digits = NA, auto_unbox = TRUE, pretty = TRUE), "\n")
