# Reference values for the two real trials, made by nlme, lme4 and base R from the committed records.
# Run inside this folder:  Rscript make_reference.R > reference.json
suppressMessages({library(nlme); library(lme4); library(jsonlite)})

read_trial <- function(name) {
  base <- file.path("..", "..", "..", "analysis", name, "records")
  rows <- read.csv(file.path(base, "measurements.csv"), stringsAsFactors = FALSE)
  arms <- read.csv(file.path(base, "allocation.csv"), stringsAsFactors = FALSE)
  clients <- read.csv(file.path(base, "clients.csv"), stringsAsFactors = FALSE)
  merge(merge(rows, arms, by = "client"), clients, by = "client")
}

# Constrained baseline means, unstructured covariance over visits, REML.
unstructured <- function(data, formula) {
  control <- glsControl(tolerance = 1e-12, msTol = 1e-12, msMaxIter = 2000, maxIter = 2000, opt = "optim",
                        optimMethod = "BFGS", returnObject = FALSE)
  fit <- gls(formula, data = data, correlation = corSymm(form = ~ v | client), weights = varIdent(form = ~ 1 | v),
             method = "REML", control = control)
  fit
}

# --- weight trial (anorexia, MASS)
w <- read_trial("weight_trial")
w$v <- ifelse(w$visit == "before", 1L, 2L)
w <- w[order(w$client, w$v), ]
w$after <- as.numeric(w$v == 2)
w$family <- as.numeric(w$arm == "family") * w$after
w$behavioural <- as.numeric(w$arm == "behavioural") * w$after
fit_w <- unstructured(w, value ~ after + family + behavioural)
wide <- reshape(w[, c("client", "arm", "visit", "value")], idvar = c("client", "arm"), timevar = "visit", direction = "wide")
wide$arm <- relevel(factor(wide$arm), ref = "control")
ancova <- summary(lm(value.after ~ value.before + arm, data = wide))$coefficients

# --- depression trial (BtheB, HSAUR3)
d <- read_trial("depression_trial")
levels_v <- c("pre", "month_2", "month_3", "month_5", "month_8")
d$v <- match(d$visit, levels_v)
d <- d[order(d$client, d$v), ]
for (k in 2:5) {
  d[[paste0("v", k)]] <- as.numeric(d$v == k)
  d[[paste0("arm", k)]] <- as.numeric(d$v == k & d$arm == "computerised")
}
d$drug01 <- as.numeric(d$drug == "yes")
d$long01 <- as.numeric(d$length == "over 6 months")
fixed <- value ~ v2 + v3 + v4 + v5 + arm2 + arm3 + arm4 + arm5 + drug01 + drug01:v2 + drug01:v3 + drug01:v4 + drug01:v5 +
  long01 + long01:v2 + long01:v3 + long01:v4 + long01:v5
fit_d <- unstructured(d, fixed)

# Everitt & Hothorn's model: follow-up scores on time, pre score, arm, drug and length; random intercept, ML.
pre <- d[d$v == 1, c("client", "value")]; names(pre)[2] <- "pre"
long <- merge(d[d$v > 1, ], pre, by = "client")
long$time <- c(NA, 2, 3, 5, 8)[long$v]
long$b <- as.numeric(long$arm == "computerised")
m53 <- lmer(value ~ pre + time + b + drug01 + long01 + (1 | client), data = long, REML = FALSE,
            control = lmerControl(optCtrl = list(xtol_rel = 1e-12, ftol_abs = 1e-14)))
m54 <- lmer(value ~ pre + time + b + drug01 + long01 + (time | client), data = long, REML = FALSE,
            control = lmerControl(optimizer = "bobyqa", optCtrl = list(rhoend = 1e-10)))

cat(toJSON(list(
  weight = list(
    unstructured = list(effect = coef(fit_w)[["family"]], effect_behavioural = coef(fit_w)[["behavioural"]],
                        model_standard_error = sqrt(vcov(fit_w)["family", "family"]),
                        log_likelihood = as.numeric(logLik(fit_w)), rows = nrow(w)),
    regression = list(effect = ancova["armfamily", 1], standard_error = ancova["armfamily", 2],
                      p_value = ancova["armfamily", 4], degrees_of_freedom = nrow(wide) - 4)),
  depression = list(
    unstructured = list(effect = coef(fit_d)[paste0("arm", 2:5)],
                        model_standard_error = sqrt(diag(vcov(fit_d)))[paste0("arm", 2:5)],
                        log_likelihood = as.numeric(logLik(fit_d)), rows = nrow(d)),
    handbook = list(coefficients = fixef(m53), standard_errors = sqrt(diag(as.matrix(vcov(m53)))),
                    client_variance = as.numeric(VarCorr(m53)$client), residual_variance = sigma(m53)^2,
                    log_likelihood = as.numeric(logLik(m53)), rows = nrow(long),
                    random_slope_statistic = as.numeric(2 * (logLik(m54) - logLik(m53))))),
  software = list(R = R.version.string, nlme = as.character(packageVersion("nlme")),
                  lme4 = as.character(packageVersion("lme4")))),
  digits = NA, auto_unbox = TRUE, pretty = TRUE), "\n")
